package diagnose_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// file is a table as written; a test changes it and reads it back.
type file struct {
	Version  string        `json:"version"`
	States   []string      `json:"states"`
	Bias     []float64     `json:"bias"`
	Units    []fileUnit    `json:"units,omitempty"`
	Features []fileFeature `json:"features"`
}

type fileFeature struct {
	Name   string      `json:"name"`
	Knots  []float64   `json:"knots"`
	Weight [][]float64 `json:"weight"`
	Unit   [][]float64 `json:"unit,omitempty"`
}

type fileUnit struct {
	Bias   float64   `json:"bias"`
	Weight []float64 `json:"weight"`
}

// flat is a table that knows nothing: every feature says the same of all.
func flat() *file {
	f := &file{Version: "flat", Bias: make([]float64, diagnose.NumStates)}
	for s := range diagnose.NumStates {
		f.States = append(f.States, diagnose.State(s).Fault().String())
	}
	for i := range feature.NumFeatures {
		f.Features = append(f.Features, fileFeature{Name: feature.ID(i).String(), Knots: []float64{-1, 1},
			Weight: [][]float64{make([]float64, diagnose.NumStates), make([]float64, diagnose.NumStates)}})
	}
	return f
}

// withUnits gives a table units that say nothing.
func (f *file) withUnits(n int) *file {
	for range n {
		f.Units = append(f.Units, fileUnit{Weight: make([]float64, diagnose.NumStates)})
	}
	for i := range f.Features {
		f.Features[i].Unit = nil
		for range f.Features[i].Knots {
			f.Features[i].Unit = append(f.Features[i].Unit, make([]float64, n))
		}
	}
	return f
}

func (f *file) bytes(t testing.TB) []byte {
	b, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (f *file) parse(t testing.TB) *diagnose.Table {
	table, err := diagnose.ParseTable(f.bytes(t))
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestWrongTablesAreRefused(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*file)
		says  []string
	}{
		{"no states", func(f *file) { f.Bias = nil }, []string{`"flat"`, "0 states", "learn it again"}},
		{"a state too many", func(f *file) { f.Bias = append(f.Bias, 0) }, []string{"states", "learn it again"}},
		{"a feature missing", func(f *file) { f.Features = f.Features[1:] }, []string{"features", "learn it again"}},
		{"features out of order", func(f *file) { f.Features[3], f.Features[4] = f.Features[4], f.Features[3] },
			[]string{"feature 3", feature.ID(4).String(), feature.ID(3).String()}},
		{"a feature renamed", func(f *file) { f.Features[5].Name = "Mood" }, []string{`"Mood"`, feature.ID(5).String()}},
		{"one knot", func(f *file) { f.Features[2].Knots = []float64{0} }, []string{feature.ID(2).String(), "knot"}},
		{"a row missing", func(f *file) { f.Features[2].Weight = f.Features[2].Weight[:1] }, []string{feature.ID(2).String(), "row"}},
		{"too many units", func(f *file) { f.withUnits(diagnose.MostUnits + 1) }, []string{"units", "128", "learn it again"}},
		{"a unit that says too little", func(f *file) { f.withUnits(2).Units[1].Weight = nil }, []string{"unit 1", "0 states"}},
		{"a row of units missing", func(f *file) { f.withUnits(2).Features[2].Unit = nil }, []string{feature.ID(2).String(), "row"}},
		{"a short row of units", func(f *file) { f.withUnits(2).Features[7].Unit[1] = []float64{1} }, []string{feature.ID(7).String(), "1 units"}},
		{"a short row", func(f *file) { f.Features[7].Weight[1] = f.Features[7].Weight[1][:4] }, []string{feature.ID(7).String(), "4 states"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := flat()
			c.spoil(f)
			table, err := diagnose.ParseTable(f.bytes(t))
			if err == nil || table != nil {
				t.Fatal("accepted")
			}
			for _, want := range append(c.says, "likelihood table") {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q does not say %q", err, want)
				}
			}
		})
	}
	for _, b := range []string{"", "{", "[]", `{"bias":"x"}`} {
		if _, err := diagnose.ParseTable([]byte(b)); err == nil || !strings.Contains(err.Error(), "likelihood table") {
			t.Errorf("%q: error %v", b, err)
		}
	}
	if table := flat().parse(t); table.Version != "flat" {
		t.Errorf("version %q", table.Version)
	}
}

// A density ratio between knots lies on the line between them; beyond the
// outer ones it stays what it is there.
func TestPartIsPiecewiseLinear(t *testing.T) {
	f := flat()
	x := &f.Features[feature.CondLift]
	x.Knots = []float64{-2, 0, 1}
	x.Weight = make([][]float64, 3)
	for k, w := range []float64{-1, 3, 0.5} {
		x.Weight[k] = make([]float64, diagnose.NumStates)
		x.Weight[k][fault.CondenserBlocked] = w
	}
	table := f.parse(t)
	for _, c := range []struct{ at, want float32 }{{-99, -1}, {-2, -1}, {-1.5, 0}, {-1, 1}, {0, 3}, {0.5, 1.75}, {1, 0.5}, {99, 0.5}} {
		p := part(table, feature.CondLift, c.at)
		if got := p[fault.CondenserBlocked]; math.Abs(float64(got-c.want)) > 1e-6 {
			t.Errorf("at %v: %v, want %v", c.at, got, c.want)
		}
		if p[fault.Well] != 0 {
			t.Errorf("at %v: well moved by %v", c.at, p[fault.Well])
		}
	}
}

// part returns what a feature adds where nothing else is seen.
func part(table *diagnose.Table, i feature.ID, x float32) diagnose.Score {
	var v feature.Vector
	v.Has[i], v.Value[i] = true, x
	var parts [feature.NumFeatures]diagnose.Score
	table.Parts(&v, &parts)
	return parts[i]
}

// A unit says what it has to say in proportion to how far its sum is above zero,
// and nothing below: here two features are each no sign of a blocked condenser,
// and both together are.
func TestUnits(t *testing.T) {
	f := flat().withUnits(2)
	f.Units[1].Bias = -1
	f.Units[1].Weight[fault.CondenserBlocked] = 2
	for _, i := range []feature.ID{feature.CondLift, feature.Current} {
		f.Features[i].Unit = [][]float64{{0, 0}, {0, 1}} // 1 at level 1, nothing at -1
	}
	table := f.parse(t)
	var v feature.Vector
	score := func() float32 {
		var s diagnose.Score
		table.Eval(&v, &s)
		return s[fault.CondenserBlocked]
	}
	for _, c := range []struct {
		lift, current float32
		says          float32
	}{{-1, -1, 0}, {1, -1, 0}, {-1, 1, 0}, {1, 1, 2}, {1, 0, 1}, {0, 0, 0}} {
		v.Has[feature.CondLift], v.Value[feature.CondLift] = true, c.lift
		v.Has[feature.Current], v.Value[feature.Current] = true, c.current
		if got := score(); math.Abs(float64(got-c.says)) > 1e-6 {
			t.Errorf("lift %v and current %v say %v, want %v", c.lift, c.current, got, c.says)
		}
	}
	v.Value[feature.CondLift], v.Value[feature.Current] = 1, 1
	var parts [feature.NumFeatures]diagnose.Score
	table.Parts(&v, &parts)
	if a, b := parts[feature.CondLift][fault.CondenserBlocked], parts[feature.Current][fault.CondenserBlocked]; a != 2 || b != 2 {
		t.Errorf("without either nothing is left of 2, and they say %v and %v", a, b)
	}
}

func drawVector(t *rapid.T) *feature.Vector {
	v := new(feature.Vector)
	for i := range v.Has {
		v.Has[i] = rapid.Bool().Draw(t, "has")
		v.Value[i] = rapid.Float32Range(-60, 60).Draw(t, "value")
	}
	return v
}

// What a machine does not carry says nothing, whatever is left in its place; and
// a part is what the score would lose without it.
func TestMissingFeaturesSayNothing(t *testing.T) {
	table := diagnose.Learned()
	rapid.Check(t, func(t *rapid.T) {
		v := drawVector(t)
		var a, b, c diagnose.Score
		table.Eval(v, &a)
		w := *v
		for i := range w.Has {
			if !w.Has[i] {
				w.Value[i] = float32(math.NaN())
			}
		}
		if table.Eval(&w, &b); a != b {
			t.Fatalf("a missing feature moved the score: %v, %v", a, b)
		}
		var parts [feature.NumFeatures]diagnose.Score
		table.Parts(&w, &parts)
		i := rapid.IntRange(0, feature.NumFeatures-1).Draw(t, "without")
		w.Has[i] = false
		table.Eval(&w, &c)
		for s := range a {
			if math.Abs(float64(a[s]-c[s]-parts[i][s])) > 2e-3 { // single precision, of 87 terms
				t.Fatalf("state %d scores %v, %v without feature %d, and its part is %v", s, a[s], c[s], i, parts[i][s])
			}
		}
	})
}

// A feature that says the same of all states changes no probability.
func TestUninformativeFeatureChangesNothing(t *testing.T) {
	f := new(file)
	if err := json.Unmarshal(learnedBytes(t), f); err != nil {
		t.Fatal(err)
	}
	without := f.parse(t)
	const dull = feature.Ambient
	for k := range f.Features[dull].Weight {
		for s := range f.Features[dull].Weight[k] {
			f.Features[dull].Weight[k][s] = 1.5 // the same for all
		}
		if len(f.Units) > 0 {
			clear(f.Features[dull].Unit[k])
		}
	}
	with := f.parse(t)
	rapid.Check(t, func(t *rapid.T) {
		v := drawVector(t)
		p, q := diagnose.BuiltIn().Begin(), diagnose.BuiltIn().Begin()
		for range 20 {
			var a, b diagnose.Score
			v.Has[dull] = false
			without.Eval(v, &a)
			v.Has[dull] = true
			with.Eval(v, &b)
			diagnose.BuiltIn().Advance(&p, &a, 1, 0.1)
			diagnose.BuiltIn().Advance(&q, &b, 1, 0.1)
		}
		x, y := p.Probabilities(), q.Probabilities()
		for s := range x {
			if math.Abs(x[s]-y[s]) > 1e-3 {
				t.Fatalf("state %d: %v without, %v with it", s, x[s], y[s])
			}
		}
	})
}

func FuzzParseTable(f *testing.F) {
	f.Add(flat().bytes(f))
	f.Add([]byte(`{"bias":[0],"features":[]}`))
	f.Add([]byte(`{"bias":null}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		table, err := diagnose.ParseTable(b)
		if (table == nil) == (err == nil) {
			t.Fatalf("table %v with error %v", table, err)
		}
		if err != nil {
			return
		}
		var v feature.Vector
		var s diagnose.Score
		table.Eval(&v, &s)
	})
}

func BenchmarkEval(b *testing.B) {
	table := diagnose.Learned()
	var v feature.Vector
	for i := range v.Has {
		v.Has[i], v.Value[i] = true, float32(i%7)-3
	}
	var s diagnose.Score
	b.ReportAllocs()
	for b.Loop() {
		table.Eval(&v, &s)
	}
}

// The file that ships has states and features in the catalogue's order, knots
// that rise, and no weight that could settle a case alone.
func TestLearnedTable(t *testing.T) {
	b := learnedBytes(t)
	var f file
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		t.Fatal(err)
	}
	if f.Version == "" || f.Version != diagnose.Learned().Version {
		t.Errorf("version %q", f.Version)
	}
	for s := range diagnose.State(fault.SensorFault) + 1 {
		if f.States[s] != s.Fault().String() {
			t.Errorf("state %d is %q, want %v", s, f.States[s], s.Fault())
		}
	}
	for i, x := range f.Features {
		for k := 1; k < len(x.Knots); k++ {
			if !(x.Knots[k] > x.Knots[k-1]) {
				t.Errorf("feature %v: knot %v is not above %v", feature.ID(i), x.Knots[k], x.Knots[k-1])
			}
		}
		for _, row := range x.Weight {
			for s, w := range row {
				if math.IsNaN(w) || math.Abs(w) > 20 {
					t.Errorf("feature %v says %v of state %d", feature.ID(i), w, s)
				}
			}
		}
	}
}

func learnedBytes(t testing.TB) []byte {
	b, err := os.ReadFile("table.json")
	if err != nil {
		t.Fatal(err)
	}
	return b
}
