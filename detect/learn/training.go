package learn

import (
	"math"
	"math/rand/v2"
	"sync"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

// training is one fit on its way: stochastic steps by Adam (Kingma and Ba, 2015)
// with a decay of the weights beside the gradient (Loshchilov and Hutter,
// Decoupled weight decay regularization, 2019) and a rate that falls to nothing
// along a cosine.
type training struct {
	m        *Model
	o        *Options
	net      *network
	examples []*Example
	rows     []row
	upTo     []float64 // sum of the weights up to each example
	first    [feature.NumFeatures]int
	pupils   [numPupils]*pupil
	laws     func(*feature.Vector, *diagnose.Score)

	mean, square []float64 // moments of the gradient
}

// numPupils is into how many shares a batch is cut, whatever the processors.
const numPupils = 4

func (m *Model) newTraining(examples []*Example, w []float64, fit int, o *Options, laws func(*feature.Vector, *diagnose.Score)) *training {
	t := &training{m: m, o: o, examples: examples, rows: make([]row, len(examples)), upTo: make([]float64, len(w)), laws: laws}
	var columns int
	t.first, columns = firstColumns(&m.knots)
	sum := 0.0
	for i, e := range examples {
		t.rows[i].set(&m.knots, &t.first, &e.Value, laws)
		sum += w[i]
		t.upTo[i] = sum
	}
	seed := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(o.Seed, uint64(fit)<<32|stream)) }
	t.net = newNetwork(columns, max(o.Units, 0), seed(0))
	t.forgetUnseen()
	for i := range t.pupils {
		t.pupils[i] = &pupil{pass: *newPass(t.net), rng: seed(1 + uint64(i))}
	}
	t.mean, t.square = make([]float64, len(t.net.p)), make([]float64, len(t.net.p))
	return t
}

// forgetUnseen has the features that no example shows say nothing to the units.
func (t *training) forgetUnseen() {
	var seen [feature.NumFeatures]bool
	for i := range t.rows {
		for _, f := range t.rows[i].feature {
			seen[f] = true
		}
	}
	for i, k := range t.m.knots {
		if !seen[i] {
			n := t.net
			clear(n.p[n.u+t.first[i]*n.units : n.u+(t.first[i]+len(k))*n.units])
		}
	}
}

// run takes all steps and returns the mean loss of the last tenth of them.
func (t *training) run(progress func(step int, loss float64)) float64 {
	share := max(t.o.Batch/numPupils, 1)
	var last, recent float64
	tenth := max(t.o.Steps/10, 1)
	for step := 1; step <= t.o.Steps; step++ {
		var wg sync.WaitGroup
		for _, p := range t.pupils {
			wg.Go(func() { t.learn(p, share) })
		}
		wg.Wait()
		loss := 0.0
		for _, p := range t.pupils {
			loss += p.loss
		}
		recent += loss / float64(share*numPupils*tenth)
		t.step(step, share*numPupils)
		if step%tenth == 0 {
			progress(step, recent)
			last, recent = recent, 0
		}
	}
	return last
}

// step moves the weights by the gradients of the pupils, summed in their order.
func (t *training) step(step, batch int) {
	const b1, b2, least = 0.9, 0.999, 1e-6
	rate := t.o.Rate * 0.5 * (1 + math.Cos(math.Pi*float64(step)/float64(t.o.Steps)))
	k1, k2 := 1-math.Pow(b1, float64(step)), 1-math.Pow(b2, float64(step))
	var wg sync.WaitGroup
	p := t.net.p
	for i := range numPupils {
		from, to := len(p)*i/numPupils, len(p)*(i+1)/numPupils
		wg.Go(func() {
			for j := from; j < to; j++ {
				g := 0.0
				for _, w := range t.pupils {
					g += w.gradient[j]
				}
				g /= float64(batch)
				t.mean[j] = b1*t.mean[j] + (1-b1)*g
				t.square[j] = b2*t.square[j] + (1-b2)*g*g
				p[j] -= rate * (t.mean[j]/k1/(math.Sqrt(t.square[j]/k2)+least) + t.o.Decay*p[j])
			}
		})
	}
	wg.Wait()
}
