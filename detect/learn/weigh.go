package learn

import "coilward/detect/diagnose"

// Fleet is the examples of one fleet, and how much they count.
type Fleet struct {
	Name     string
	Weight   float64 // of each of its faults' episodes
	Examples []Example

	next     int32 // number of the next episode that is added
	machines []int // where each machine's examples begin
}

// Total is what the fleet counts among others: its weight for each episode of a
// fault, and once for a fleet that has none.
func (f *Fleet) Total() float64 { return f.Weight * float64(max(f.Episodes(), 1)) }

// Episodes counts the episodes of faults that there are examples of.
func (f *Fleet) Episodes() int {
	seen := map[int32]bool{}
	for i := range f.Examples {
		if g := f.Examples[i].Group; g >= 0 {
			seen[g] = true
		}
	}
	return len(seen)
}

// Add appends a machine's examples, numbering its episodes on.
func (f *Fleet) Add(machine []Example) {
	after := f.next
	f.machines = append(f.machines, len(f.Examples))
	for _, e := range machine {
		if e.Group >= 0 {
			e.Group += after
			f.next = max(f.next, e.Group+1)
		}
		f.Examples = append(f.Examples, e)
	}
}

// Calm returns the fleet's examples of no fault, as a fleet of its own that
// counts weight in all. A fleet has a few dozen faults, which a table can learn
// by heart, and thousands of hours without one, which it cannot: they may count
// for more.
func (f *Fleet) Calm(weight float64) Fleet {
	c := Fleet{Name: f.Name + " in ordinary life", Weight: weight}
	for i, from := range f.machines {
		to := len(f.Examples)
		if i+1 < len(f.machines) {
			to = f.machines[i+1]
		}
		c.machines = append(c.machines, len(c.Examples))
		for _, e := range f.Examples[from:to] {
			if e.Group < 0 {
				c.Examples = append(c.Examples, e)
			}
		}
	}
	return c
}

// What a fleet counts is shared out among well life, ordinary life and faults;
// the states of ordinary life have equal parts, and so have the faults.
const (
	wellShare     = 0.45
	ordinaryShare = 0.20
	faultShare    = 1 - wellShare - ordinaryShare
)

// pool returns the examples of all fleets and their weights, which sum to one.
func pool(fleets []Fleet) (all []*Example, w []float64) {
	n, total := 0, 0.0
	for i := range fleets {
		n += len(fleets[i].Examples)
		if len(fleets[i].Examples) > 0 {
			total += fleets[i].Total()
		}
	}
	all, w = make([]*Example, 0, n), make([]float64, 0, n)
	for i := range fleets {
		share := fleets[i].Total() / total
		for j, x := range weights(fleets[i].Examples) {
			w = append(w, x*share)
			all = append(all, &fleets[i].Examples[j])
		}
	}
	return all, w
}

// weights gives each state its share, and each episode of a fault the same part
// of it, however long it lasted. They sum to one: the share of what the fleet
// has no example of goes to the rest.
func weights(examples []Example) []float64 {
	perGroup := map[int32]float64{}
	var perState, groups [diagnose.NumStates]float64
	for i := range examples {
		e := &examples[i]
		perState[e.State]++
		if e.Group >= 0 {
			if perGroup[e.Group] == 0 {
				groups[e.State]++
			}
			perGroup[e.Group]++
		}
	}
	share := shares(&perState)
	w := make([]float64, len(examples))
	for i := range examples {
		e := &examples[i]
		if e.Group >= 0 {
			w[i] = share[e.State] / groups[e.State] / perGroup[e.Group]
		} else {
			w[i] = share[e.State] / perState[e.State]
		}
	}
	return w
}

// shares returns each state's share of a fleet that has so many examples of each.
func shares(n *[diagnose.NumStates]float64) (share [diagnose.NumStates]float64) {
	kind := func(s int) int {
		switch {
		case s == 0:
			return 0
		case isFault(s):
			return 2
		}
		return 1
	}
	of := [...]float64{wellShare, ordinaryShare, faultShare}
	var there [len(of)]float64 // states of each kind that there are examples of
	for s := range n {
		if n[s] > 0 {
			there[kind(s)]++
		}
	}
	total := 0.0
	for k, c := range there {
		if c > 0 {
			total += of[k]
		}
	}
	for s := range n {
		if n[s] > 0 {
			share[s] = of[kind(s)] / there[kind(s)] / total
		}
	}
	return share
}
