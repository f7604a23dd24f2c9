package learn

import (
	"math"
	"math/rand/v2"

	"coilward/detect/diagnose"
)

const states = diagnose.NumStates

// network is the function that is learned: for the columns c of an example and
// how far r it stands between each and the next,
//
//	z = b + L + A'·x + V'·max(0, d + U'·x)
//
// where x has 1 − r at c and r at c + 1, and L is what the laws of detect/diagnose
// say, which is not for learning. z is the logarithm of each state's probability,
// up to a constant. All parameters stand in one slice.
type network struct {
	columns, units int
	p              []float64

	// Where each begins in p. A has a row of one weight a state for each column, U
	// one of one weight a unit, V a row of one weight a state for each unit.
	b, a, d, u, v int
}

func newNetwork(columns, units int, rng *rand.Rand) *network {
	n := &network{columns: columns, units: units}
	n.a = states
	n.d = n.a + columns*states
	n.u = n.d + units
	n.v = n.u + columns*units
	n.p = make([]float64, n.v+units*states)
	// Units that begin alike would stay alike.
	for i := n.u; i < len(n.p); i++ {
		n.p[i] = 0.1 * rng.NormFloat64()
	}
	return n
}

// pass is the room for one example's way through a network.
type pass struct {
	z, dz       [states]float64
	unit, dunit []float64
	gradient    []float64
	loss        float64
}

func newPass(n *network) *pass {
	return &pass{unit: make([]float64, n.units), dunit: make([]float64, n.units), gradient: make([]float64, len(n.p))}
}

// forward computes z and the units of a row of the design, and returns its loss,
// −ln P(y).
func (n *network) forward(w *pass, r *row, y uint8) float64 {
	copy(w.z[:], n.p[n.b:])
	copy(w.unit, n.p[n.d:])
	if r.law != nil {
		for s, x := range r.law {
			w.z[s] += float64(x)
		}
	}
	for i, c := range r.column {
		right := float64(r.right[i])
		a := (*[2 * states]float64)(n.p[n.a+int(c)*states:])
		for s := range w.z {
			w.z[s] += a[s] + right*(a[states+s]-a[s])
		}
		u := n.p[n.u+int(c)*n.units:][:2*n.units]
		for j := range w.unit {
			w.unit[j] += u[j] + right*(u[n.units+j]-u[j])
		}
	}
	for j, x := range w.unit {
		if x <= 0 {
			continue
		}
		says := (*[states]float64)(n.p[n.v+j*states:])
		for s := range w.z {
			w.z[s] += x * says[s]
		}
	}
	top := w.z[0]
	for _, x := range w.z {
		top = max(top, x)
	}
	sum := 0.0
	for s, x := range w.z {
		w.dz[s] = math.Exp(x - top)
		sum += w.dz[s]
	}
	for s := range w.dz {
		w.dz[s] /= sum
	}
	w.dz[y]--
	return math.Log(sum) + top - w.z[y]
}

// backward adds the gradient of the loss that forward has just returned.
func (n *network) backward(w *pass, r *row) {
	g := w.gradient
	for s, x := range w.dz {
		g[n.b+s] += x
	}
	for j, x := range w.unit {
		w.dunit[j] = 0
		if x <= 0 {
			continue
		}
		says, to := (*[states]float64)(n.p[n.v+j*states:]), (*[states]float64)(g[n.v+j*states:])
		sum := 0.0
		for s, d := range w.dz {
			sum += d * says[s]
			to[s] += d * x
		}
		w.dunit[j] = sum
		g[n.d+j] += sum
	}
	for i, c := range r.column {
		right := float64(r.right[i])
		a := (*[2 * states]float64)(g[n.a+int(c)*states:])
		for s, x := range w.dz {
			at := right * x
			a[s] += x - at
			a[states+s] += at
		}
		u := g[n.u+int(c)*n.units:][:2*n.units]
		for j, x := range w.dunit {
			at := right * x
			u[j] += x - at
			u[n.units+j] += at
		}
	}
}
