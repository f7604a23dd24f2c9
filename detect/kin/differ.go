package kin

import "math"

// Moves that matter: a centre by a fifth of the spread that a new machine is
// given, a spread by a fifth of itself, a share by a hundredth. Less would only
// fill the record.
const (
	centreMoved = 0.2
	spreadMoved = 0.2
	shareMoved  = 0.01
)

// Differs reports whether a machine that begins with b may be judged otherwise
// than one that begins with a; a may be nil.
func Differs(a, b *Version) bool {
	if a == nil || len(a.Kinds) != len(b.Kinds) {
		return true
	}
	for name, k := range b.Kinds {
		was := a.Kinds[name]
		if was == nil || len(was.Levels) != len(k.Levels) || len(was.Shares) != len(k.Shares) {
			return true
		}
		for what, s := range k.Levels {
			old, ok := was.Levels[what]
			sd := old.Prior()
			if !ok || math.Abs(s.Centre-old.Centre) > centreMoved*sd || math.Abs(s.Prior()-sd) > spreadMoved*sd {
				return true
			}
		}
		for f, s := range k.Shares {
			if math.Abs(s-was.Shares[f]) > shareMoved {
				return true
			}
		}
	}
	return false
}
