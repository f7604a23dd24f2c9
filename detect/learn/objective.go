package learn

import (
	"math"
	"runtime"
	"sync"
	"sync/atomic"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

const states = diagnose.NumStates

// objective is the penalised negative log-likelihood
//
//	Σ_n w_n (ln Σ_s e^{z_ns} − z_n,y(n)) + ridge ‖D‖² + smooth Σ (D_j−1 − 2 D_j + D_j+1)²
//
// of the states y given z = M·A + b + L, where M is the design, A holds a row of
// one weight a state for each column, L is what the laws of detect/diagnose say,
// which is not for learning, and D is what A differs from the centre by. Weights
// that go against what is published are penalised besides; see against.
// Parameters are A row by row, then b.
type objective struct {
	m      *design
	state  []uint8
	weight []float64 // sums to one
	law    []int32   // each row's place in laws; -1: no law says anything of it
	laws   []diagnose.Score
	ridge  float64
	smooth float64
	first  [feature.NumFeatures]int // columns of each feature
	knots  [feature.NumFeatures]int
	centre []float64 // what the penalties draw the weights to; nil: nothing

	parts []part
}

// part is the share of a fixed run of rows: sums are taken in the order of the
// parts, so that they do not depend on how many processors did the work.
type part struct {
	from, to int
	loss     float64
	gradient []float64
}

const numParts = 16

func (o *objective) dim() int { return (o.m.columns + 1) * states }

func (o *objective) prepare() {
	n := o.m.rows()
	o.parts = make([]part, numParts)
	for i := range o.parts {
		o.parts[i] = part{from: n * i / numParts, to: n * (i + 1) / numParts, gradient: make([]float64, o.dim())}
	}
}

// reweigh gives the examples other weights, which sum to one; an example that
// stands in the objective several times shares its own out.
func (o *objective) reweigh(w []float64) {
	times := len(o.weight) / len(w)
	for i := range o.weight {
		o.weight[i] = w[i/times] / float64(times)
	}
}

// eval returns the objective at x and writes its gradient.
func (o *objective) eval(x, gradient []float64) float64 {
	var next atomic.Int32
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), numParts) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < numParts; i = int(next.Add(1)) - 1 {
				o.likelihood(&o.parts[i], x)
			}
		})
	}
	wg.Wait()
	loss := 0.0
	clear(gradient)
	for i := range o.parts {
		loss += o.parts[i].loss
		for j, g := range o.parts[i].gradient {
			gradient[j] += g
		}
	}
	return loss + o.penalty(x, gradient) + o.against(x, gradient)
}

func (o *objective) likelihood(p *part, x []float64) {
	clear(p.gradient)
	p.loss = 0
	bias := (*[states]float64)(x[o.m.columns*states:])
	biasGradient := (*[states]float64)(p.gradient[o.m.columns*states:])
	for n := p.from; n < p.to; n++ {
		z := *bias
		if l := o.law[n]; l >= 0 {
			for s, v := range o.laws[l] {
				z[s] += float64(v)
			}
		}
		lo, hi := o.m.row[n], o.m.row[n+1]
		columns, rights := o.m.column[lo:hi], o.m.right[lo:hi]
		for i, c := range columns {
			r := float64(rights[i])
			a := (*[2 * states]float64)(x[int(c)*states:])
			for s := range z {
				z[s] += a[s] + r*(a[states+s]-a[s])
			}
		}
		y := o.state[n]
		top := z[0]
		for _, v := range z {
			top = max(top, v)
		}
		sum, zy := 0.0, z[y]
		for s := range z {
			z[s] = math.Exp(z[s] - top)
			sum += z[s]
		}
		w := o.weight[n]
		p.loss += w * (math.Log(sum) + top - zy)
		for s := range z {
			z[s] *= w / sum
		}
		z[y] -= w
		for s := range z {
			biasGradient[s] += z[s]
		}
		for i, c := range columns {
			r := float64(rights[i])
			g := (*[2 * states]float64)(p.gradient[int(c)*states:])
			for s, d := range z {
				right := r * d
				g[s] += d - right
				g[states+s] += right
			}
		}
	}
}

func (o *objective) penalty(x, gradient []float64) float64 {
	loss := 0.0
	if o.centre != nil {
		d := make([]float64, len(x))
		for i := range d {
			d[i] = x[i] - o.centre[i]
		}
		x = d
	}
	for i := range o.m.columns * states {
		loss += o.ridge * x[i] * x[i]
		gradient[i] += 2 * o.ridge * x[i]
	}
	for f := range o.first {
		for j := o.first[f] + 1; j < o.first[f]+o.knots[f]-1; j++ {
			for s := range states {
				i := j*states + s
				bend := x[i-states] - 2*x[i] + x[i+states]
				loss += o.smooth * bend * bend
				gradient[i-states] += 2 * o.smooth * bend
				gradient[i] -= 4 * o.smooth * bend
				gradient[i+states] += 2 * o.smooth * bend
			}
		}
	}
	return loss
}
