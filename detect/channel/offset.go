package channel

import (
	"math"

	"coilward/collector"
)

// Shift is how far one difference of two channels stands from the machine's
// own normal, K. A difference that is the channel itself, such as the air at a
// start, has no Minus.
type Shift struct {
	Plus     collector.Channel
	Minus    collector.Channel
	HasMinus bool
	By       float64 // K, now over normal
	SD       float64 // K of the normal
}

// Offset looks for the one channel whose error explains the shifts best: it adds
// to every difference in which the channel is the first and takes from those
// in which it is the second. Weighted least squares for one unknown:
//
//	δ = Σ aᵢ sᵢ/σᵢ² / Σ aᵢ²/σᵢ²     a = +1, −1, 0
//
// explained is the share of Σ (s/σ)² that δ accounts for. ok is false where fewer
// than two differences tell, or no single channel accounts for most.
func Offset(shifts []Shift) (c collector.Channel, delta, explained float64, ok bool) {
	total := 0.0
	for _, s := range shifts {
		total += s.By * s.By / (s.SD * s.SD)
	}
	if total == 0 {
		return 0, 0, 0, false
	}
	best := 0.0
	for k := range collector.Channel(numTemps) {
		num, den, n := 0.0, 0.0, 0
		for _, s := range shifts {
			a := 0.0
			switch {
			case s.Plus == k:
				a = 1
			case s.HasMinus && s.Minus == k:
				a = -1
			default:
				continue
			}
			n++
			num += a * s.By / (s.SD * s.SD)
			den += 1 / (s.SD * s.SD)
		}
		if n < 2 {
			continue
		}
		if share := num * num / den / total; share > best {
			best, c, delta = share, k, num/den
		}
	}
	return c, delta, best, best > 0.7 && math.Abs(delta) > 0.8
}
