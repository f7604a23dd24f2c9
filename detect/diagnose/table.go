package diagnose

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/blas/gonum"

	"coilward/detect/fault"
	"coilward/detect/feature"
)

// State is one thing a machine can be in: well, some piece of ordinary life,
// or one fault of the catalogue.
type State uint8

// States; the faults of the catalogue from Well to SensorFault come first,
// with their own numbers.
const (
	WarmLoad  = State(fault.SensorFault) + 1 + iota // restocked or just put right: warm product is cooled down
	Unplugged                                       // cleaning, or a blip, and the time after it
	Resettled                                       // the setpoint was moved
	NumStates int                                   = iota + int(fault.SensorFault) + 1
)

// Fault returns the state's fault; Well for ordinary life.
func (s State) Fault() fault.Fault {
	if s <= State(fault.SensorFault) {
		return fault.Fault(s)
	}
	return fault.Well
}

// Table says how probable what is seen of a machine is in each state, as the
// logarithm of a density ratio. Learned from labelled fleets; see detect/learn.
//
// Each feature that is there adds to every state by a piecewise linear function
// of its level, and likewise to a number of units. A unit whose sum is above zero
// adds to every state in proportion to it, which is how features speak together:
// a compressor that hardly runs means one thing beside a warm cabinet and another
// beside a cold one. (A network of one hidden layer of rectified units beside the
// generalised additive model: Nair and Hinton, Rectified linear units improve
// restricted Boltzmann machines, 2010.)
type Table struct {
	Version string
	bias    []float32 // of states, then of units
	knots   [feature.NumFeatures][]float32
	// weight[i][k*width+s] is what feature i adds at knot k to state s, and from
	// s = NumStates on to the units.
	weight [feature.NumFeatures][]float32
	says   [NumStates][]float32 // says[s][u] is what unit u adds to state s
	width  int                  // NumStates and the number of units
}

// MostUnits is how many units a table may have.
const MostUnits = 128

// File is a table as it is written.
type File struct {
	Version  string        `json:"version"`
	States   []string      `json:"states"`
	Bias     []float32     `json:"bias"` // by state
	Units    []FileUnit    `json:"units,omitempty"`
	Features []FileFeature `json:"features"`
}

// FileUnit is a unit: what it adds to its sum, and what it says.
type FileUnit struct {
	Bias   float32   `json:"bias"`
	Weight []float32 `json:"weight"` // by state
}

// FileFeature is what a feature says at its knots.
type FileFeature struct {
	Name   string      `json:"name"`
	Knots  []float32   `json:"knots"`
	Weight [][]float32 `json:"weight"`         // knot by state
	Unit   [][]float32 `json:"unit,omitempty"` // knot by unit
}

//go:embed table.json
var learned []byte

// Learned returns the table that ships with the program.
func Learned() *Table {
	t, err := ParseTable(learned)
	if err != nil {
		panic(err) // our own file
	}
	return t
}

// ParseTable reads a table written by Learn.
func ParseTable(b []byte) (*Table, error) {
	var f File
	if err := json.Unmarshal(b, &f); err != nil {
		return nil, fmt.Errorf("likelihood table: %w", err)
	}
	if len(f.Bias) != NumStates || len(f.Features) != feature.NumFeatures {
		return nil, fmt.Errorf("likelihood table %q has %d states and %d features; this program knows %d and %d: learn it again",
			f.Version, len(f.Bias), len(f.Features), NumStates, feature.NumFeatures)
	}
	if len(f.Units) > MostUnits {
		return nil, fmt.Errorf("likelihood table %q has %d units; this program takes %d at most: learn it again", f.Version, len(f.Units), MostUnits)
	}
	t := &Table{Version: f.Version, bias: f.Bias, width: NumStates + len(f.Units)}
	for i, u := range f.Units {
		if len(u.Weight) != NumStates {
			return nil, fmt.Errorf("likelihood table %q: unit %d has %d states, not %d", f.Version, i, len(u.Weight), NumStates)
		}
		t.bias = append(t.bias, u.Bias)
		for s, x := range u.Weight {
			t.says[s] = append(t.says[s], x)
		}
	}
	for i, tf := range f.Features {
		if tf.Name != feature.ID(i).String() {
			return nil, fmt.Errorf("likelihood table %q: feature %d is %q, not %q: learn it again", f.Version, i, tf.Name, feature.ID(i))
		}
		if len(tf.Knots) < 2 || len(tf.Weight) != len(tf.Knots) || len(f.Units) > 0 && len(tf.Unit) != len(tf.Knots) {
			return nil, fmt.Errorf("likelihood table %q: feature %q needs a row a knot, two at least", f.Version, tf.Name)
		}
		for k := 1; k < len(tf.Knots); k++ {
			if tf.Knots[k] <= tf.Knots[k-1] {
				return nil, fmt.Errorf("likelihood table %q: the knots of feature %q must rise", f.Version, tf.Name)
			}
		}
		t.knots[i] = tf.Knots
		for k, row := range tf.Weight {
			if len(row) != NumStates {
				return nil, fmt.Errorf("likelihood table %q: feature %q has a row of %d states, not %d", f.Version, tf.Name, len(row), NumStates)
			}
			t.weight[i] = append(t.weight[i], row...)
			if len(f.Units) == 0 {
				continue
			}
			if len(tf.Unit[k]) != len(f.Units) {
				return nil, fmt.Errorf("likelihood table %q: feature %q has a row of %d units, not %d", f.Version, tf.Name, len(tf.Unit[k]), len(f.Units))
			}
			t.weight[i] = append(t.weight[i], tf.Unit[k]...)
		}
	}
	return t, nil
}

// Score is the log-likelihood of a vector in each state, up to a constant.
type Score [NumStates]float32

// sums is what features add up to, states first and then units.
type sums [NumStates + MostUnits]float32

// Eval computes the log-likelihood of v in every state. What is missing is
// left out, which marginalises it.
func (t *Table) Eval(v *feature.Vector, out *Score) {
	all := t.sum(v)
	t.conclude(all, out)
	spare.Put(all)
	Laws(v, out)
}

// Parts computes what each feature that is there adds to every state: the score
// with it less that without it, all others being as they are.
func (t *Table) Parts(v *feature.Vector, out *[feature.NumFeatures]Score) {
	all, rest := t.sum(v), spare.Get().(*sums)
	var with, without Score
	*rest = *all
	t.conclude(rest, &with)
	for i, law := range laws {
		out[i] = Score{}
		if !v.Has[i] {
			continue
		}
		*rest = sums{}
		t.add(feature.ID(i), v.Value[i], rest)
		for j, x := range all {
			rest[j] = x - rest[j]
		}
		t.conclude(rest, &without)
		for s := range without {
			out[i][s] = with[s] - without[s]
		}
		if law != nil {
			law(float64(v.Value[i]), &out[i])
		}
	}
	spare.Put(all)
	spare.Put(rest)
}

// spare are sums that nobody uses: what is handed to assembly lies on the heap.
var spare = sync.Pool{New: func() any { return new(sums) }}

// sum adds up what all features say.
func (t *Table) sum(v *feature.Vector) *sums {
	all := spare.Get().(*sums)
	copy(all[:], t.bias)
	for i := range v.Has {
		if v.Has[i] {
			t.add(feature.ID(i), v.Value[i], all)
		}
	}
	return all
}

// conclude turns the sums of states and units into the score, without the laws.
// The sums of units below zero are lost.
func (t *Table) conclude(all *sums, out *Score) {
	*out = Score(all[:NumStates])
	units := all[NumStates:t.width]
	if len(units) == 0 {
		return
	}
	for u, x := range units {
		// max(x, 0) without a branch, for which sign comes next is anybody's guess.
		b := math.Float32bits(x)
		units[u] = math.Float32frombits(b &^ uint32(int32(b)>>31))
	}
	var blas gonum.Implementation
	for s, says := range &t.says {
		out[s] += blas.Sdot(len(units), says, 1, units, 1)
	}
}

// add adds what feature i says at level x to the sums of states and units.
func (t *Table) add(i feature.ID, x float32, to *sums) {
	k := t.knots[i]
	n := len(k)
	j := 0
	switch {
	case x >= k[n-1]:
		j, x = n-2, k[n-1]
	case x <= k[0]:
		x = k[0]
	default:
		for j < n-2 && x >= k[j+1] {
			j++
		}
	}
	f := (x - k[j]) / (k[j+1] - k[j])
	var blas gonum.Implementation
	// At a knot, where what counts minutes mostly stands, one row says it all.
	if f < 1 {
		blas.Saxpy(t.width, 1-f, t.weight[i][j*t.width:], 1, to[:], 1)
	}
	if f > 0 {
		blas.Saxpy(t.width, f, t.weight[i][(j+1)*t.width:], 1, to[:], 1)
	}
}

func logSumExp(x []float32) float32 {
	m := float32(math.Inf(-1))
	for _, v := range x {
		m = max(m, v)
	}
	var s float64
	for _, v := range x {
		s += math.Exp(float64(v - m))
	}
	return m + float32(math.Log(s))
}
