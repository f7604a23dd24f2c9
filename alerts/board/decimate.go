package board

import (
	"iter"
	"math"
	"slices"
	"strconv"
	"time"
)

// columns is how many columns a strip is drawn in. A strip is about 850 px
// wide on a desk screen and 350 px on a phone, so a column is about a pixel.
const columns = 720

// frame is the time a page of strips covers.
type frame struct {
	from, to time.Time
}

func (f frame) width() time.Duration { return f.to.Sub(f.from) / columns }

// column returns the column t falls in; ok is false outside the frame.
func (f frame) column(t time.Time) (int, bool) {
	if t.Before(f.from) || t.After(f.to) {
		return 0, false
	}
	return min(columns-1, int(t.Sub(f.from)/f.width())), true
}

// share is how far along the frame t is, 0..1, held at the ends.
func (f frame) share(t time.Time) float64 {
	return min(1, max(0, float64(t.Sub(f.from))/float64(f.to.Sub(f.from))))
}

// envelope is a series brought down to columns by least and greatest, so that
// a spike of one reading is still seen on a strip of a week.
type envelope struct {
	lo, hi, last [columns]float64 // NaN: nothing in this column
	sum          [columns]float64
	in           [columns]int // how many values
	n            int
}

func newEnvelope() *envelope {
	e := &envelope{}
	for i := range columns {
		e.lo[i], e.hi[i], e.last[i] = math.NaN(), math.NaN(), math.NaN()
	}
	return e
}

func (e *envelope) add(col int, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if math.IsNaN(e.lo[col]) {
		e.lo[col], e.hi[col] = v, v
	}
	e.lo[col], e.hi[col], e.last[col] = min(e.lo[col], v), max(e.hi[col], v), v
	e.sum[col] += v
	e.in[col]++
	e.n++
}

// mean is the mean of the values within so many columns around, where the column
// itself has any; less than one is the column alone. Where a column holds about a
// cycle of the compressor, its own mean would beat with the cycle, and one of half a
// day with day and night; over an hour or whole days it says where it is going.
func (e *envelope) mean(around float64) *envelope {
	m := newEnvelope()
	for i := range columns {
		if e.in[i] == 0 {
			continue
		}
		sum, in := 0.0, 0.0
		for j, weight := range weights(i, around) {
			sum, in = sum+weight*e.sum[j], in+weight*float64(e.in[j])
		}
		m.add(i, sum/in)
	}
	return m
}

// weights yields the columns of a stretch of so many around the middle of column i,
// each with the share of it that is within.
func weights(i int, around float64) iter.Seq2[int, float64] {
	half := max(0, (around-1)/2)
	whole := int(half)
	return func(yield func(int, float64) bool) {
		for j := max(0, i-whole-1); j <= min(columns-1, i+whole+1); j++ {
			weight := 1.0
			if j < i-whole || j > i+whole {
				weight = half - float64(whole)
			}
			if weight > 0 && !yield(j, weight) {
				return
			}
		}
	}
}

// reach returns the least and the greatest of all columns.
func (e *envelope) reach() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range columns {
		if !math.IsNaN(e.lo[i]) {
			lo, hi = min(lo, e.lo[i]), max(hi, e.hi[i])
		}
	}
	return lo, hi
}

// newest returns the value of the last column that has one.
func (e *envelope) newest() float64 {
	for _, v := range slices.Backward(e.last[:]) {
		if !math.IsNaN(v) {
			return v
		}
	}
	return math.NaN()
}

// plotHeight is the height of a plot's own coordinates; the page stretches it.
const plotHeight = 200

// axis maps values to heights.
type axis struct {
	lo, hi float64
}

func (a axis) y(v float64) float64 {
	return plotHeight * (1 - (v-a.lo)/(a.hi-a.lo))
}

// path draws the envelope as one stroke: down or up through each column's
// range, broken where more than gap columns are empty.
func (e *envelope) path(a axis, gap int) string {
	out := make([]byte, 0, 8*columns)
	previous, y := -1, 0.0
	for i := range columns {
		if math.IsNaN(e.lo[i]) {
			continue
		}
		first, second := a.y(e.lo[i]), a.y(e.hi[i])
		broken := previous < 0 || i-previous > gap
		if !broken && math.Abs(second-y) < math.Abs(first-y) {
			first, second = second, first
		}
		out = append(out, either(broken, "M", "L")...)
		out = point(out, float64(i)+0.5, first)
		switch {
		case second != first:
			out = append(out, 'V')
			out = coordinate(out, second)
		case broken && (i+1 == columns || nextWithin(e, i, gap) < 0):
			out = append(out, "h1"...) // a lone reading is still a mark
		}
		previous, y = i, second
	}
	return string(out)
}

func nextWithin(e *envelope, i, gap int) int {
	for j := i + 1; j < columns && j-i <= gap; j++ {
		if !math.IsNaN(e.lo[j]) {
			return j
		}
	}
	return -1
}

// area draws the space between the lows of one envelope and the highs of
// another as closed shapes, broken like path.
func area(low, high *envelope, a axis, gap int) string {
	var out []byte
	var run []int
	flush := func() {
		if len(run) > 0 {
			for k, i := range run {
				out = append(out, either(k == 0, "M", "L")...)
				out = point(out, float64(i)+0.5, a.y(high.hi[i]))
			}
			for _, i := range slices.Backward(run) {
				out = append(out, 'L')
				out = point(out, float64(i)+0.5, a.y(low.lo[i]))
			}
			out = append(out, 'Z')
		}
		run = run[:0]
	}
	for i := range columns {
		if math.IsNaN(low.lo[i]) || math.IsNaN(high.hi[i]) {
			continue
		}
		if len(run) > 0 && i-run[len(run)-1] > gap {
			flush()
		}
		run = append(run, i)
	}
	flush()
	return string(out)
}

func point(b []byte, x, y float64) []byte {
	b = coordinate(b, x)
	b = append(b, ' ')
	return coordinate(b, y)
}

func coordinate(b []byte, v float64) []byte {
	return strconv.AppendFloat(b, math.Round(v*10)/10, 'f', -1, 64)
}

// duty is the share of each column's known time that something was so.
type duty struct {
	so, known [columns]time.Duration
}

// add counts [from, to) as so or not.
func (d *duty) add(f frame, from, to time.Time, so bool) {
	if from.Before(f.from) {
		from = f.from
	}
	if to.After(f.to) {
		to = f.to
	}
	w := f.width()
	for from.Before(to) {
		i, ok := f.column(from)
		if !ok {
			return
		}
		end := f.from.Add(time.Duration(i+1) * w)
		if end.After(to) || i == columns-1 {
			end = to
		}
		d.known[i] += end.Sub(from)
		if so {
			d.so[i] += end.Sub(from)
		}
		from = end
	}
}

func (d *duty) share(i int) float64 {
	if d.known[i] == 0 {
		return math.NaN()
	}
	return float64(d.so[i]) / float64(d.known[i])
}

// mean is the share within so many columns around, where the column itself is
// known; see envelope.mean.
func (d *duty) mean(around float64) *duty {
	m := &duty{}
	for i := range columns {
		if d.known[i] == 0 {
			continue
		}
		for j, weight := range weights(i, around) {
			m.so[i] += time.Duration(weight * float64(d.so[j]))
			m.known[i] += time.Duration(weight * float64(d.known[j]))
		}
	}
	return m
}

// most is the greatest share of a column.
func (d *duty) most() (most float64) {
	for i := range columns {
		if d.known[i] > 0 {
			most = max(most, d.share(i))
		}
	}
	return most
}

// times is the same with every share so many times as great, held at all.
func (d *duty) times(factor float64) *duty {
	m := &duty{known: d.known}
	for i := range columns {
		m.so[i] = min(d.known[i], time.Duration(factor*float64(d.so[i])))
	}
	return m
}

// total is the share over the whole frame; NaN when nothing is known.
func (d *duty) total() float64 {
	var so, known time.Duration
	for i := range columns {
		so, known = so+d.so[i], known+d.known[i]
	}
	if known == 0 {
		return math.NaN()
	}
	return float64(so) / float64(known)
}

// path draws the share as a filled step line standing on the bottom. What was
// so at all stands at least floor high: a door open for twenty seconds must
// not vanish from a strip of a week.
func (d *duty) path(floor float64) string {
	var out []byte
	for i := 0; i < columns; {
		s := d.share(i)
		if math.IsNaN(s) || s == 0 {
			i++
			continue
		}
		j := i + 1
		for j < columns && d.share(j) == s {
			j++
		}
		out = append(out, 'M')
		out = point(out, float64(i), plotHeight)
		out = append(out, 'V')
		out = coordinate(out, plotHeight*(1-max(s, floor)))
		out = append(out, 'H')
		out = coordinate(out, float64(j))
		out = append(out, 'V')
		out = coordinate(out, plotHeight)
		out = append(out, 'Z')
		i = j
	}
	return string(out)
}

// rule picks round values for grid lines over [lo, hi]: three to six of them,
// a step of 1, 2 or 5 times a power of ten. It returns the axis that fits.
func rule(lo, hi float64) (a axis, marks []float64, digits int) {
	if math.IsInf(lo, 0) || math.IsInf(hi, 0) {
		lo, hi = 0, 1
	}
	if hi-lo < 1e-6 {
		lo, hi = lo-0.5, hi+0.5
	}
	pad := (hi - lo) * 0.06
	a = axis{lo - pad, hi + pad}
	raw := (a.hi - a.lo) / 4
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw {
			step = m * power
			break
		}
	}
	digits = max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	for v := math.Ceil(a.lo/step) * step; v <= a.hi+1e-9; v += step {
		marks = append(marks, v)
	}
	return a, marks, digits
}
