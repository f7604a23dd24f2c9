package learn

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
	"coilward/detect/truth"
)

// Example is one look at a machine whose state is known.
type Example struct {
	Value [feature.NumFeatures]float32 // NaN: missing
	State diagnose.State
	// Group is the index of the example's episode among all of its fleet; -1
	// outside of one.
	Group int32
}

// SampleOptions bound what is kept of each machine, for successive looks say
// nearly the same. Zero means the default.
type SampleOptions struct {
	Episode  int // examples an episode; 150
	Ordinary int // examples of ordinary life a machine; 120
	Well     int // examples of the machine well; 120
}

func (o *SampleOptions) defaults() {
	for _, d := range []struct {
		p *int
		v int
	}{{&o.Episode, 150}, {&o.Ordinary, 120}, {&o.Well, 120}} {
		if *d.p <= 0 {
			*d.p = d.v
		}
	}
}

// Collector keeps the looks at one machine, and then a sample of them.
type Collector struct {
	machine *truth.Machine
	end     float64
	looks   []look
}

type look struct {
	value [feature.NumFeatures]float32
	label Label
}

// NewCollector returns a collector for a machine of the fleet.
func NewCollector(f *truth.Fleet, m *truth.Machine) *Collector {
	return &Collector{machine: m, end: f.End()}
}

// Look takes the features at t, s since the fleet's start.
func (c *Collector) Look(v *feature.Vector, t float64) {
	l := LabelAt(c.machine, t, c.end)
	if l.Weight == 0 || t < 0 || t > c.end {
		return
	}
	c.looks = append(c.looks, look{values(v), l})
}

// unused are features that tell a fleet from another, or the time, rather than
// a fault from another. Nothing is learned of them.
var unused = [feature.NumFeatures]bool{feature.Learnt: true, feature.Ambient: true, feature.AbsAirSlow: true}

func values(v *feature.Vector) (x [feature.NumFeatures]float32) {
	for i := range x {
		x[i] = float32(math.NaN())
		if v.Has[i] && !unused[i] {
			x[i] = v.Value[i]
		}
	}
	return x
}

func vector(x *[feature.NumFeatures]float32) (v feature.Vector) {
	for i, a := range x {
		if a == a {
			v.Has[i], v.Value[i] = true, a
		}
	}
	return v
}

// Sample returns the machine's examples, in order of time; Group is the episode
// within the machine. The same looks and seed give the same sample.
func (c *Collector) Sample(o SampleOptions, seed uint64) []Example {
	o.defaults()
	h := fnv.New64a()
	h.Write([]byte(c.machine.Machine))
	rng := rand.New(rand.NewPCG(seed, h.Sum64()))
	byEpisode := make([][]int, len(c.machine.Episodes))
	var well, ordinary []int
	for i := range c.looks {
		switch l := &c.looks[i].label; {
		case l.Episode >= 0:
			byEpisode[l.Episode] = append(byEpisode[l.Episode], i)
		case l.State == 0:
			well = append(well, i)
		default:
			ordinary = append(ordinary, i)
		}
	}
	var kept []int
	for _, of := range byEpisode {
		kept = append(kept, c.draw(rng, of, o.Episode)...)
	}
	kept = append(kept, c.draw(rng, ordinary, o.Ordinary)...)
	kept = append(kept, c.draw(rng, well, o.Well)...)
	slices.Sort(kept)
	out := make([]Example, len(kept))
	for k, i := range kept {
		l := &c.looks[i]
		out[k] = Example{l.value, l.label.State, int32(l.label.Episode)}
	}
	return out
}

// draw takes n of the looks without putting back, each with a chance in
// proportion to its weight (Efraimidis and Spirakis, Information Processing
// Letters 97, 2006: the n greatest of u^(1/w)).
func (c *Collector) draw(rng *rand.Rand, from []int, n int) []int {
	if len(from) <= n {
		return from
	}
	type ticket struct {
		key float64
		i   int
	}
	t := make([]ticket, len(from))
	for k, i := range from {
		t[k] = ticket{-rng.ExpFloat64() / c.looks[i].label.Weight, i} // ln u^(1/w)
	}
	slices.SortFunc(t, func(a, b ticket) int {
		switch {
		case a.key > b.key:
			return -1
		case a.key < b.key:
			return 1
		}
		return a.i - b.i
	})
	out := make([]int, n)
	for k := range out {
		out[k] = t[k].i
	}
	return out
}
