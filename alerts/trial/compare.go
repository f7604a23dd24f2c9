package trial

import (
	"cmp"
	"slices"
	"time"
)

// Kind is how an alert differs between the two runs.
type Kind uint8

// Kinds of difference, the weightiest first: a difference is of the first kind
// that holds.
const (
	Gone    Kind = iota // only with the settings in use
	Added               // only with the change
	Later               // told later with the change
	Earlier             // told earlier with the change
	Other               // told at the same time: of another fault or priority, or ending at another time
)

func (k Kind) String() string {
	return [...]string{"gone", "added", "later", "earlier", "other"}[k]
}

// MarshalText writes the kind's name.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// Difference is one alert that is not the same in both runs.
type Difference struct {
	Kind Kind
	Now  *Episode // with the settings in use; nil: Added
	With *Episode // with the change; nil: Gone
}

// Shift is how much later the change tells of it; negative: earlier. 0 where one
// run does not tell of it at all.
func (d *Difference) Shift() time.Duration {
	if d.Now == nil || d.With == nil {
		return 0
	}
	return d.With.From.Sub(d.Now.From)
}

// first is the episode that came first.
func (d *Difference) first() *Episode {
	switch {
	case d.Now == nil:
		return d.With
	case d.With == nil || d.Now.From <= d.With.From:
		return d.Now
	}
	return d.With
}

// pair is two episodes that may be of the same trouble.
type pair struct {
	now, with int
	fault     bool          // of the same fault
	both      time.Duration // for which both stood
	shift     time.Duration // between their beginnings, without sign
}

// Compare matches the episodes of two runs: of one trouble are those that share a
// machine and stood at the same time. Where several could be, the same fault goes
// first, then the longer time together, then the nearer beginnings. Each is in one
// pair at most. It returns how many are the same, and the others in order of time.
func Compare(now, with []*Episode) (same int, differ []Difference) {
	var pairs []pair
	for i, a := range now {
		for j, b := range with {
			// Both ends of an alert that came and went at once count as standing.
			if a.From > b.To || b.From > a.To || !shareMachine(a, b) {
				continue
			}
			pairs = append(pairs, pair{
				i, j, a.Fault == b.Fault,
				min(a.To, b.To).Sub(max(a.From, b.From)), b.From.Sub(a.From).Abs(),
			})
		}
	}
	slices.SortFunc(pairs, func(p, q pair) int {
		return cmp.Or(firstTrue(p.fault, q.fault), cmp.Compare(q.both, p.both), cmp.Compare(p.shift, q.shift),
			cmp.Compare(p.now, q.now), cmp.Compare(p.with, q.with))
	})
	ofNow, ofWith := make([]bool, len(now)), make([]bool, len(with))
	for _, p := range pairs {
		if ofNow[p.now] || ofWith[p.with] {
			continue
		}
		ofNow[p.now], ofWith[p.with] = true, true
		if d, is := difference(now[p.now], with[p.with]); is {
			differ = append(differ, d)
		} else {
			same++
		}
	}
	for i, a := range now {
		if !ofNow[i] {
			differ = append(differ, Difference{Kind: Gone, Now: a})
		}
	}
	for j, b := range with {
		if !ofWith[j] {
			differ = append(differ, Difference{Kind: Added, With: b})
		}
	}
	slices.SortStableFunc(differ, func(a, b Difference) int {
		return cmp.Or(cmp.Compare(a.first().From, b.first().From), cmp.Compare(a.first().Machines[0], b.first().Machines[0]), cmp.Compare(a.Kind, b.Kind))
	})
	return same, differ
}

// difference compares two episodes of one trouble. When the product would leave
// its limit is not compared: another limit is another time for every alert.
func difference(now, with *Episode) (Difference, bool) {
	d := Difference{Now: now, With: with}
	switch {
	case with.From > now.From:
		d.Kind = Later
	case with.From < now.From:
		d.Kind = Earlier
	case now.Fault != with.Fault, now.Priority != with.Priority, now.To != with.To, now.Open != with.Open, !slices.Equal(now.Machines, with.Machines):
		d.Kind = Other
	default:
		return d, false
	}
	return d, true
}

func firstTrue(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func shareMachine(a, b *Episode) bool {
	return slices.ContainsFunc(a.Machines, func(m string) bool {
		_, is := slices.BinarySearch(b.Machines, m)
		return is
	})
}
