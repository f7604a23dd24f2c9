package history

import "math"

// Figures are what is kept of the values of one channel in a stretch of time.
type Figures struct {
	Count    int // of values; the others mean nothing when it is 0
	Min, Max float64
	Sum      float64 // rounded to the decimals of the values, so it does not depend on their order
	form     uint8   // 1 + decimals that give all three back exactly, or rawForm
}

// Mean is the mean of the values, each counted once.
func (f *Figures) Mean() float64 { return f.Sum / float64(f.Count) }

// largestSum is below what a float64 counts without gaps, with room for the
// values of a day.
const largestSum = 1 << 52

// add takes a value. What is not a number is left out.
func (f *Figures) add(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	form, _ := formOf(v, f.form)
	f.merge(&Figures{Count: 1, Min: v, Max: v, Sum: v, form: form})
}

// merge takes the figures of other values of the channel.
func (f *Figures) merge(g *Figures) {
	switch {
	case g.Count == 0:
		return
	case f.Count == 0:
		*f = *g
		return
	}
	f.Count += g.Count
	f.Min, f.Max = min(f.Min, g.Min), max(f.Max, g.Max)
	f.form = max(f.form, g.form)
	f.Sum += g.Sum
	if f.form == rawForm {
		return
	}
	scale := pow10[f.form-1]
	n := math.RoundToEven(f.Sum * scale)
	if !(math.Abs(n) < largestSum) || !f.exact(int(f.form-1)) {
		f.form = rawForm
		return
	}
	f.Sum = n / scale
}

// exact reports whether the extremes are decimals of that many digits: a value
// that was one of fewer digits may be too large for more.
func (f *Figures) exact(digits int) bool {
	_, low := decimal(f.Min, digits)
	_, high := decimal(f.Max, digits)
	return low && high
}
