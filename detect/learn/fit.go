package learn

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

// Options say how to fit. Zero means the default.
type Options struct {
	Seed  uint64
	Fits  int     // how many the table is the mean of; 1
	Units int     // of each fit; 96. Below zero: none, each feature speaks for itself
	Steps int     // of each fit; 12000
	Batch int     // examples a step; 256
	Rate  float64 // of the first step; 0.003
	Decay float64 // share of a weight that is lost a step, in units of the rate; 0.3

	// Progress is told now and then; may be nil.
	Progress func(fit, step int, loss float64)
}

// Filled returns the options with the defaults in place of zeros.
func (o Options) Filled() Options {
	for _, d := range []struct {
		p *int
		v int
	}{{&o.Fits, 1}, {&o.Units, 96}, {&o.Steps, 12000}, {&o.Batch, 256}} {
		if *d.p == 0 {
			*d.p = d.v
		}
	}
	o.Units = max(o.Units, -1)
	for _, d := range []struct {
		p *float64
		v float64
	}{{&o.Rate, 0.003}, {&o.Decay, 0.3}} {
		if *d.p == 0 {
			*d.p = d.v
		}
	}
	return o
}

// Check says what of the options cannot be, before anything is read for them.
func (o Options) Check() error {
	o = o.Filled()
	switch {
	case o.Fits < 0 || o.Steps < 0 || o.Batch < numPupils:
		return fmt.Errorf("%d fits of %d steps of %d examples: give numbers above 0, and %d examples at least", o.Fits, o.Steps, o.Batch, numPupils)
	case o.Fits*o.Units > diagnose.MostUnits:
		return fmt.Errorf("%d fits of %d units each: a table has %d in all at most", o.Fits, o.Units, diagnose.MostUnits)
	case o.Rate < 0 || o.Decay < 0 || o.Rate*o.Decay >= 1:
		return fmt.Errorf("a rate of %g and a decay of %g: give numbers above 0, of which the product is below 1", o.Rate, o.Decay)
	}
	return nil
}

// Model is what was learned, ready to be written as a table.
type Model struct {
	Examples int
	Loss     float64 // mean −ln P of the truth in the last tenth of the steps, with features taken away

	knots [feature.NumFeatures][]float32
	fits  []*network
	prior [diagnose.NumStates]float64
}

// Fit learns a table from fleets that together have examples of every state.
func Fit(fleets []Fleet, o Options) (*Model, error) {
	if err := o.Check(); err != nil {
		return nil, err
	}
	o = o.Filled()
	examples, w := pool(fleets)
	var have [diagnose.NumStates]bool
	for _, e := range examples {
		have[e.State] = true
	}
	var missing []string
	for s, h := range have {
		if !h {
			missing = append(missing, StateName(diagnose.State(s)))
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("no example of %s in %d examples: add fleets in which it happens", strings.Join(missing, ", "), len(examples))
	}
	m := &Model{Examples: len(examples), knots: knots(examples, w)}
	for i, e := range examples {
		m.prior[e.State] += w[i]
	}
	for fit := range o.Fits {
		t := m.newTraining(examples, w, fit, &o, diagnose.Laws)
		m.Loss += t.run(func(step int, loss float64) {
			if o.Progress != nil {
				o.Progress(fit, step, loss)
			}
		}) / float64(o.Fits)
		m.fits = append(m.fits, t.net)
	}
	return m, nil
}

// pupil draws examples and takes them through the network, one share of each
// step's batch; it has its own lot, so that what is learned does not depend on
// how many processors did the work.
type pupil struct {
	pass
	rng *rand.Rand
	row row // of an example of which something has been taken away
}

// draw returns the place of an example, drawn by its weight.
func (t *training) draw(rng *rand.Rand) int {
	return min(sort.SearchFloat64s(t.upTo, rng.Float64()*t.upTo[len(t.upTo)-1]), len(t.upTo)-1)
}

// learn takes n examples through the network.
func (t *training) learn(w *pupil, n int) {
	clear(w.gradient)
	w.loss = 0
	for range n {
		i := t.draw(w.rng)
		e, r := t.examples[i], &t.rows[i]
		// Half of the examples are learned from as they are.
		if w.rng.Float64() < 0.5 {
			x := e.Value
			drop(&x, w.rng)
			thin(&x, w.rng)
			w.row.set(&t.m.knots, &t.first, &x, t.laws)
			r = &w.row
		}
		w.loss += t.net.forward(&w.pass, r, uint8(e.State))
		t.net.backward(&w.pass, r)
		t.net.against(&w.pass, r, &published[w.rng.IntN(len(published))])
	}
}

// StateName is a state's name in the table's file.
func StateName(s diagnose.State) string {
	switch s {
	case diagnose.WarmLoad:
		return "warm-load"
	case diagnose.Unplugged:
		return "unplugged"
	case diagnose.Resettled:
		return "resettled"
	}
	return s.Fault().String()
}

// Table writes the table in the form that diagnose.ParseTable reads: the mean of
// what the fits say is that of their weights, and all their units side by side.
func (m *Model) Table(version string) ([]byte, error) {
	file := diagnose.File{Version: version}
	share := 1 / float64(len(m.fits))
	mean := func(at func(n *network) int) float64 {
		sum := 0.0
		for _, n := range m.fits {
			sum += n.p[at(n)]
		}
		return sum * share
	}
	for s := range diagnose.NumStates {
		file.States = append(file.States, StateName(diagnose.State(s)))
		file.Bias = append(file.Bias, rounded(mean(func(n *network) int { return n.b + s })-math.Log(m.prior[s]), 4))
	}
	for _, n := range m.fits {
		for j := range n.units {
			u := diagnose.FileUnit{Bias: rounded(n.p[n.d+j], 4)}
			for s := range states {
				u.Weight = append(u.Weight, rounded(n.p[n.v+j*states+s]*share, 3))
			}
			file.Units = append(file.Units, u)
		}
	}
	first, _ := firstColumns(&m.knots)
	for i, k := range m.knots {
		f := diagnose.FileFeature{Name: feature.ID(i).String(), Knots: k}
		for j := range k {
			c := first[i] + j
			weight := make([]float32, states)
			for s := range weight {
				weight[s] = rounded(mean(func(n *network) int { return n.a + c*states + s }), 3)
			}
			f.Weight = append(f.Weight, weight)
			var units []float32
			for _, n := range m.fits {
				for u := range n.units {
					units = append(units, rounded(n.p[n.u+c*n.units+u], 3))
				}
			}
			if len(units) > 0 {
				f.Unit = append(f.Unit, units)
			}
		}
		file.Features = append(file.Features, f)
	}
	b, err := json.Marshal(file)
	if err != nil {
		return nil, fmt.Errorf("the table cannot be written: %w", err)
	}
	if _, err := diagnose.ParseTable(b); err != nil {
		return nil, err
	}
	return append(b, '\n'), nil
}
