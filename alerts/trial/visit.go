package trial

import (
	"cmp"
	"slices"
	"time"

	"coilward/collector"
	"coilward/detect/fault"
)

// Visit is what a person found at a machine.
type Visit struct {
	Machine string
	At      collector.Millis // when they were done
	Found   bool             // something was wrong
	Fault   fault.Fault      // what; Well: not said
}

// Seen is a visit, and the alert that stood before it in either run; nil: none
// did.
type Seen struct {
	Visit
	Now, With *Episode
}

// Missed reports whether the change would have kept silent about what was found.
func (s *Seen) Missed() bool { return s.Found && s.Now != nil && s.With == nil }

// visitReach is how long before a visit an alert may have ended that it is still
// about what was found there.
const visitReach = 3 * 24 * time.Hour

// seen holds the visits of the trial against the alerts of both runs.
func seen(visits []Visit, chosen map[string]bool, now, with []*Episode, from, to collector.Millis) []Seen {
	var out []Seen
	for _, v := range visits {
		if v.At < from || v.At >= to || chosen != nil && !chosen[v.Machine] {
			continue
		}
		out = append(out, Seen{v, before(now, v), before(with, v)})
	}
	slices.SortStableFunc(out, func(a, b Seen) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Machine, b.Machine)) })
	return out
}

// before returns the alert of the machine that stood last before a visit.
func before(episodes []*Episode, v Visit) *Episode {
	var last *Episode
	for _, e := range episodes {
		if _, of := slices.BinarySearch(e.Machines, v.Machine); !of || e.From > v.At || e.To.Add(visitReach) < v.At {
			continue
		}
		if last == nil || e.From > last.From {
			last = e
		}
	}
	return last
}
