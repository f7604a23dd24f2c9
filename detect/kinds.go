package detect

import (
	"slices"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/diagnose"
	"coilward/detect/kin"
	"coilward/detect/thermal"
)

// kinds is a version of what is known of kinds, ready for use.
type kinds struct {
	version *kin.Version
	of      [fleet.NumKinds]*kin.Kind // nil: nothing
	prior   [fleet.NumKinds]*diagnose.Prior
}

// WithKinds returns a library with what is known of kinds, in versions, in place
// of what it knew. A machine begins with the version in force at its first
// reading; machines that have begun are not touched by later ones.
func (l *Library) WithKinds(versions []*kin.Version) *Library {
	with := *l
	with.kinds = nil
	for _, v := range versions {
		k := kinds{version: v}
		for i := range k.of {
			k.prior[i] = diagnose.BuiltIn()
			if k.of[i] = v.Kinds[fleet.Kind(i).String()]; k.of[i] == nil {
				continue
			}
			if shares, ok := k.of[i].SharesOf(); ok {
				k.prior[i] = diagnose.NewPrior(&shares)
			}
		}
		with.kinds = append(with.kinds, k)
	}
	slices.SortStableFunc(with.kinds, func(a, b kinds) int { return int(a.version.From - b.version.From) })
	return &with
}

// KindsAt returns the version of what is known of kinds that is in force at a
// pipeline time; nil: none.
func (l *Library) KindsAt(at collector.Millis) *kin.Version {
	if k := l.kindsAt(at); k != nil {
		return k.version
	}
	return nil
}

func (l *Library) kindsAt(at collector.Millis) *kinds {
	for i := len(l.kinds) - 1; i >= 0; i-- {
		if l.kinds[i].version.From <= at {
			return &l.kinds[i]
		}
	}
	return nil
}

// priorOf returns the prior of a machine that began with a version. One that
// began with a version nobody has any more goes on with the built-in one.
func (l *Library) priorOf(version int32, spec *fleet.Machine) *diagnose.Prior {
	for i := range l.kinds {
		if version != 0 && int32(l.kinds[i].version.Number) == version {
			return l.kinds[i].prior[spec.Kind]
		}
	}
	return diagnose.BuiltIn()
}

// SetLibrary gives the machine another library to begin with, if it has not
// begun, and to be judged by.
func (m *Machine) SetLibrary(l *Library) {
	m.lib, m.raiseAt = l, l.RaiseAtOf(m.spec)
	m.prior = l.priorOf(m.s.Kinds, m.spec)
}

// begin takes what is known of the machine's kind when its first reading was
// received for its own well state. Of a machine that is not listed nobody knows
// what kind it is.
func (m *Machine) begin(r *collector.Reading) {
	k := m.lib.kindsAt(r.Received)
	if k == nil || m.spec.Unlisted || k.of[m.spec.Kind] == nil {
		return
	}
	s, kind := &m.s, k.of[m.spec.Kind]
	s.Kinds = int32(k.version.Number)
	m.prior = k.prior[m.spec.Kind]
	s.Posterior = m.prior.Begin()
	m.learnBy()
	if len(kind.Levels) == 0 {
		return
	}
	s.Track.Begin(kind, r.Has)
	s.Load = thermal.NewLoadOf(m.spec.Kind, kind)
}

// KinHours is how many hours of well life a machine must have shown for others to
// begin with what it is like.
const KinHours = 72

// kinWell is how probable it must be that it is well just then.
const kinWell = 0.9

// Summary returns the machine's well state for others of its kind; ok is false
// while it has been watched for less than so many hours of well life, or may not
// be well.
func (m *Machine) Summary(hours float64) (kin.Summary, bool) {
	s := &m.s
	out := kin.Summary{Machine: m.spec.ID, Kind: m.spec.Kind, Hours: s.Track.WellHours()}
	if m.spec.Unlisted || s.Open[slotMachine].Is || out.Hours < hours || s.Posterior.Well() < kinWell {
		return out, false
	}
	out.Levels = map[string]kin.Level{}
	s.Track.Levels(out.Levels)
	s.Load.Level(out.Levels)
	return out, true
}
