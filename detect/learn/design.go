package learn

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

const (
	mostKnots  = 11
	fewestSeen = 200  // examples that carry a feature before it is given knots of its own
	knotsApart = 0.03 // share of the span between the outermost
)

// knots places the knots of every feature at quantiles of the weighted sample,
// from 0.5 % to 99.5 %, leaving out those that crowd. A feature that was hardly
// ever seen gets two, and its weights stay zero.
func knots(examples []*Example, w []float64) (k [feature.NumFeatures][]float32) {
	type point struct{ x, w float64 }
	var seen []point
	for i := range k {
		seen = seen[:0]
		total := 0.0
		for e := range examples {
			if x := float64(examples[e].Value[i]); x == x {
				seen = append(seen, point{x, w[e]})
				total += w[e]
			}
		}
		if len(seen) < fewestSeen {
			k[i] = []float32{0, 1}
			continue
		}
		slices.SortFunc(seen, func(a, b point) int {
			return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.w, b.w))
		})
		var q [mostKnots]float64
		at, below := 0, 0.0
		for j := range q {
			p := (0.005 + 0.99*float64(j)/(mostKnots-1)) * total
			for at < len(seen)-1 && below+seen[at].w < p {
				below += seen[at].w
				at++
			}
			q[j] = seen[at].x
		}
		span := math.Max(q[mostKnots-1]-q[0], 1e-6)
		k[i] = []float32{rounded(q[0], 5)}
		last := q[0]
		for _, x := range q[1:] {
			if x-last > knotsApart*span && rounded(x, 5) > k[i][len(k[i])-1] {
				k[i] = append(k[i], rounded(x, 5))
				last = x
			}
		}
		if len(k[i]) < 2 {
			k[i] = append(k[i], rounded(q[0]+1e-3+math.Abs(q[0])*0.01, 5))
		}
	}
	return k
}

// rounded keeps some significant digits, as the table is written.
func rounded(x float64, digits int) float32 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', digits, 64), 32)
	return float32(r)
}

// row is an example on the hat functions, sparse: a feature that is there stands
// at two neighbouring columns, 1 − right and right.
type row struct {
	feature []uint8
	column  []uint16
	right   []float32
	law     *diagnose.Score // what the laws say of it; nil: nothing
}

// firstColumns returns each feature's first column, and how many there are.
func firstColumns(k *[feature.NumFeatures][]float32) (first [feature.NumFeatures]int, n int) {
	for i := range k {
		first[i] = n
		n += len(k[i])
	}
	return first, n
}

// set makes r the row of x, of which laws say what they say.
func (r *row) set(k *[feature.NumFeatures][]float32, first *[feature.NumFeatures]int, x *[feature.NumFeatures]float32, laws func(*feature.Vector, *diagnose.Score)) {
	r.feature, r.column, r.right = r.feature[:0], r.column[:0], r.right[:0]
	for i, v := range x {
		if v != v {
			continue
		}
		at := k[i]
		v = min(max(v, at[0]), at[len(at)-1])
		j := 0
		for j < len(at)-2 && v >= at[j+1] {
			j++
		}
		r.feature = append(r.feature, uint8(i))
		r.column = append(r.column, uint16(first[i]+j))
		r.right = append(r.right, (v-at[j])/(at[j+1]-at[j]))
	}
	r.law = nil
	v := vector(x)
	var l diagnose.Score
	if laws(&v, &l); l != (diagnose.Score{}) {
		r.law = &l
	}
}
