package kin

import (
	"math"
	"slices"
)

// Level is one quantity of one machine's well state.
type Level struct {
	Mean  float64
	SD    float64 // of single readings about it
	Error float64 // standard error of Mean: how far the machine's own level may lie from it
}

// Spread is one quantity of a kind's well state.
type Spread struct {
	Centre   float64 `json:"centre"`
	Between  float64 `json:"between"`  // standard deviation between machines, τ
	Within   float64 `json:"within"`   // of single readings of one machine, in the middle of the kind
	Error    float64 `json:"error"`    // standard error of a machine's level, in the middle of the kind
	Machines int     `json:"machines"` // behind it
}

// Least is how many machines of a kind are the fewest to learn from. With three
// the factor of James and Stein is 0: nothing would be gained.
const Least = 5

// bound is how many standard deviations a machine may lie off and count in full
// (Huber 1964); at 1.5 the centre is as good as the plain mean where all is normal,
// to four parts in a hundred.
const bound = 1.5

// SpreadOf learns a quantity from the levels of some machines; ok is false
// where they are too few.
func SpreadOf(levels []Level) (s Spread, ok bool) { return spreadOf(levels, bound) }

func spreadOf(levels []Level, bound float64) (s Spread, ok bool) {
	if len(levels) < Least {
		return Spread{}, false
	}
	s.Machines = len(levels)
	s.Within = middle(levels, func(l *Level) float64 { return l.SD })
	s.Error = middle(levels, func(l *Level) float64 { return l.Error })
	// The sum of squared residuals falls as τ² grows; where it is already small
	// at 0, machines do not differ by more than their errors.
	wanted := float64(len(levels)-1) * expected(bound)
	sum := func(t2 float64) float64 {
		mu := centre(levels, t2, bound)
		q := 0.0
		for i := range levels {
			r := (levels[i].Mean - mu) / deviation(&levels[i], t2)
			q += square(math.Max(-bound, math.Min(bound, r)))
		}
		return q
	}
	low, high := 0.0, square(extent(levels))+1e-12
	if sum(0) > wanted {
		for range 60 {
			mid := (low + high) / 2
			if sum(mid) > wanted {
				low = mid
			} else {
				high = mid
			}
			if high-low <= 1e-8*high {
				break
			}
		}
		s.Between = math.Sqrt((low + high) / 2)
	}
	s.Centre = centre(levels, square(s.Between), bound)
	return s, true
}

// centre returns the location with bounded residuals, by iteratively reweighted
// least squares from the median.
func centre(levels []Level, t2, bound float64) float64 {
	mu := middle(levels, func(l *Level) float64 { return l.Mean })
	for range 50 {
		var sw, swy float64
		for i := range levels {
			d := deviation(&levels[i], t2)
			w := 1 / (d * d)
			if r := math.Abs(levels[i].Mean-mu) / d; r > bound {
				w *= bound / r
			}
			sw += w
			swy += w * levels[i].Mean
		}
		next := swy / sw
		if math.Abs(next-mu) <= 1e-9*(1+math.Abs(mu)) {
			return next
		}
		mu = next
	}
	return mu
}

// deviation is the standard deviation of a machine's level about the centre. A
// level is never taken for exact.
func deviation(l *Level, t2 float64) float64 {
	return math.Sqrt(t2 + l.Error*l.Error + 1e-12)
}

// expected is the mean square of a standard normal residual bounded at b.
func expected(b float64) float64 {
	if math.IsInf(b, 1) {
		return 1
	}
	inside := math.Erf(b / math.Sqrt2)
	density := math.Exp(-b*b/2) / math.Sqrt(2*math.Pi)
	return inside - 2*b*density + b*b*(1-inside)
}

// Prior returns the standard deviation of a new machine's own level about the
// centre, after which a machine's level with the standard error e is shrunk by
// e²/(e²+Prior²), which is the factor of James and Stein. It is wider than
// Between by what a few machines leave open.
func (s *Spread) Prior() float64 {
	return math.Sqrt(s.prior2(s.Error * s.Error))
}

func (s *Spread) prior2(v float64) float64 {
	k := float64(s.Machines)
	return square(s.Between)*(k-1)/(k-3) + v*2/(k-3)
}

// Shrink returns what a machine's own level is taken for, given what it showed.
func (s *Spread) Shrink(l Level) float64 {
	v := l.Error * l.Error
	p := s.prior2(v)
	if p+v == 0 {
		return s.Centre
	}
	return l.Mean + v/(v+p)*(s.Centre-l.Mean)
}

func square(x float64) float64 { return x * x }

func extent(levels []Level) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range levels {
		low, high = math.Min(low, levels[i].Mean), math.Max(high, levels[i].Mean)
	}
	return high - low
}

// middle is the median of something about the levels.
func middle(levels []Level, of func(*Level) float64) float64 {
	x := make([]float64, len(levels))
	for i := range levels {
		x[i] = of(&levels[i])
	}
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
