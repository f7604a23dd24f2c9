package kin

import (
	"math"

	"coilward/detect/fault"
)

// ShareWeight is how many visits the built-in shares of the faults are worth:
// so many visits that found a fault count as much as what the trade knows.
const ShareWeight = 60

// Found counts what people found at the machines of a kind: Found[f] visits at
// which it was fault f, Found[fault.Well] at which nothing was wrong.
type Found [fault.Num]int

// Faults returns how many visits found a fault that can have a share.
func (n *Found) Faults(built *[fault.Num]float64) int {
	sum := 0
	for f, k := range n {
		if built[f] > 0 {
			sum += k
		}
	}
	return sum
}

// Shares returns each fault's share of all faults after the visits: the mean of
// the Dirichlet distribution with the parameters weight·built + counts. A fault
// without a built-in share gets none.
func (n *Found) Shares(built *[fault.Num]float64, weight float64) (out [fault.Num]float64) {
	total := weight + float64(n.Faults(built))
	for f, b := range built {
		if b > 0 {
			out[f] = (weight*b + float64(n[f])) / total
		}
	}
	return out
}

// ShareSD returns the standard deviation of one share, whose own distribution is
// a beta.
func ShareSD(share, total float64) float64 {
	return math.Sqrt(share * (1 - share) / (total + 1))
}
