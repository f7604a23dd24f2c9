package diagnose

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"

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

// Table says how probable each level of each feature is in each state, as the
// logarithm of a density ratio: a piecewise linear function a feature and
// state. Learned from labelled fleets; see Learn.
type Table struct {
	Version string
	bias    [NumStates]float32
	knots   [feature.NumFeatures][]float32
	// weight[i][k*NumStates+s] is state s's log ratio at knot k of feature i.
	weight [feature.NumFeatures][]float32
}

type tableFile struct {
	Version  string         `json:"version"`
	States   []string       `json:"states"`
	Bias     []float32      `json:"bias"`
	Features []tableFeature `json:"features"`
}

type tableFeature struct {
	Name   string      `json:"name"`
	Knots  []float32   `json:"knots"`
	Weight [][]float32 `json:"weight"` // knot by state
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
	var f tableFile
	if err := json.Unmarshal(b, &f); err != nil {
		return nil, fmt.Errorf("likelihood table: %w", err)
	}
	if len(f.Bias) != NumStates || len(f.Features) != feature.NumFeatures {
		return nil, fmt.Errorf("likelihood table %q has %d states and %d features; this program knows %d and %d: learn it again",
			f.Version, len(f.Bias), len(f.Features), NumStates, feature.NumFeatures)
	}
	t := &Table{Version: f.Version}
	copy(t.bias[:], f.Bias)
	for i, tf := range f.Features {
		if tf.Name != feature.ID(i).String() {
			return nil, fmt.Errorf("likelihood table %q: feature %d is %q, not %q: learn it again", f.Version, i, tf.Name, feature.ID(i))
		}
		if len(tf.Knots) < 2 || len(tf.Weight) != len(tf.Knots) {
			return nil, fmt.Errorf("likelihood table %q: feature %q needs a row a knot, two at least", f.Version, tf.Name)
		}
		for k := 1; k < len(tf.Knots); k++ {
			if tf.Knots[k] <= tf.Knots[k-1] {
				return nil, fmt.Errorf("likelihood table %q: the knots of feature %q must rise", f.Version, tf.Name)
			}
		}
		t.knots[i] = tf.Knots
		for _, row := range tf.Weight {
			if len(row) != NumStates {
				return nil, fmt.Errorf("likelihood table %q: feature %q has a row of %d states, not %d", f.Version, tf.Name, len(row), NumStates)
			}
			t.weight[i] = append(t.weight[i], row...)
		}
	}
	return t, nil
}

// Score is the log-likelihood of a vector in each state, up to a constant.
type Score [NumStates]float32

// Eval computes the log-likelihood of v in every state. What is missing is
// left out, which marginalises it.
func (t *Table) Eval(v *feature.Vector, out *Score) {
	*out = t.bias
	for i := range v.Has {
		if v.Has[i] {
			t.add(feature.ID(i), v.Value[i], out)
		}
	}
}

// Taught returns what was learned of one feature's level, without what the laws
// say of it.
func (t *Table) Taught(i feature.ID, x float32) (out Score) {
	t.add(i, x, &out)
	if l := laws[i]; l != nil {
		var said Score
		l(float64(x), &said)
		for s := range out {
			out[s] -= said[s]
		}
	}
	return out
}

// Bias returns what the table adds to each state whatever is seen.
func (t *Table) Bias() Score { return t.bias }

// Part returns what one feature alone adds to each state.
func (t *Table) Part(i feature.ID, x float32) (out Score) {
	t.add(i, x, &out)
	return out
}

func (t *Table) add(i feature.ID, x float32, out *Score) {
	k := t.knots[i]
	n := len(k)
	x0 := x
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
	if l := laws[i]; l != nil {
		l(float64(x0), out)
	}
	f := (x - k[j]) / (k[j+1] - k[j])
	w := t.weight[i]
	a := w[j*NumStates : (j+1)*NumStates]
	b := w[(j+1)*NumStates : (j+2)*NumStates]
	for s := range out {
		out[s] += a[s] + f*(b[s]-a[s])
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
