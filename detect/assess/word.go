// Package assess says how good findings are, against the truth of a labelled
// fleet: how much of the time before the product spoils was left when they were
// said, whether they named the right part, how often they were false.
//
// A finding is right when it bears the fault's name, one that the machine's
// channels cannot tell from it (an alias), or one that has become right since
// (ice on a coil whose fan stopped). It notices an episode when it is right, or
// when there is something to notice and the name is of a kind the fault could
// cause. Where the truth says that nobody can tell, it counts neither way.
//
// Times are seconds since the fleet's start.
package assess

import (
	"cmp"
	"slices"

	"coilward/detect"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

// Word is one change of a finding as it reached a person.
type Word struct {
	Finding     string
	Machine     string
	Change      detect.Change
	At          float64
	Fault       fault.Fault
	Probability float64
	Candidates  []detect.Candidate
	Urgent      bool // of medium priority or higher: somebody is to drive
	HasLimit    bool
	Limit       float64 // when the product is said to leave its limit
}

// story is all that was said of one finding, in order.
type story []Word

// at returns what the finding said last at t; nil before it was there.
func (h story) at(t float64) *Word {
	var w *Word
	for i := range h {
		if h[i].At <= t+1e-6 {
			w = &h[i]
		}
	}
	return w
}

// leading returns the first two names of a word.
func (w *Word) leading() []fault.Fault {
	c := slices.Clone(w.Candidates)
	slices.SortStableFunc(c, func(a, b detect.Candidate) int { return cmp.Compare(b.Probability, a.Probability) })
	names := []fault.Fault{w.Fault}
	for _, x := range c {
		if x.Fault != w.Fault {
			return append(names, x.Fault)
		}
	}
	return names
}

// Channel sets, by the names that labelled fleets give them.
var sets = []string{"basic", "standard", "full"}

// setOf returns a machine's channel set; "other" for a name of the fleet's own.
func setOf(m *truth.Machine) string {
	if slices.Contains(sets, m.Set) {
		return m.Set
	}
	return "other"
}
