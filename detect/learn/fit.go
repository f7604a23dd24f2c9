package learn

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"gonum.org/v1/gonum/optimize"

	"coilward/detect/diagnose"
	"coilward/detect/feature"
)

// Options say how to fit. Zero means the default.
type Options struct {
	Seed       uint64
	Ridge      float64 // 1e-5
	Smooth     float64 // on second differences; 1e-4
	Iterations int     // at most; 70
	NoThinning bool    // learn from the examples as they are, with no channel taken away

	// Bags is how many fits the table is the mean of, each to machines drawn anew
	// (Breiman 1996, by the weights of Rubin 1981); 0 is one fit to all as they are.
	Bags int

	// Progress is told of every iteration; may be nil.
	Progress func(iteration int, loss float64)
}

// Model is a fitted table and how it came to be.
type Model struct {
	Examples   int
	Iterations int
	Loss       float64 // mean negative log-likelihood, with penalties
	Status     string  // why the fit ended

	knots  [feature.NumFeatures][]float32
	weight []float64 // columns × states, then the bias
	centre []float64 // what weight was drawn to
	prior  [diagnose.NumStates]float64
}

// Fit learns a table from fleets that together have examples of every state.
func Fit(fleets []Fleet, o Options) (*Model, error) {
	if o.Ridge <= 0 {
		o.Ridge = 1e-5
	}
	if o.Smooth <= 0 {
		o.Smooth = 1e-4
	}
	if o.Iterations <= 0 {
		o.Iterations = 70
	}
	examples, w := pool(fleets)
	var have [diagnose.NumStates]bool
	for _, e := range examples {
		have[e.State] = true
	}
	var missing []string
	for s, h := range have {
		if !h {
			missing = append(missing, StateName(diagnose.State(s)))
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("no example of %s in %d examples: add fleets in which it happens", strings.Join(missing, ", "), len(examples))
	}
	m := &Model{Examples: len(examples), knots: knots(examples, w)}
	for i, e := range examples {
		m.prior[e.State] += w[i]
	}
	obj := m.objective(examples, w, &o)
	m.centre = obj.centre
	if o.Bags < 1 {
		return m, m.minimise(obj, &o)
	}
	return m, m.bags(obj, fleets, examples, w, &o)
}

// bags fits to machines drawn anew, several times, and takes the mean.
func (m *Model) bags(obj *objective, fleets []Fleet, examples []*Example, w []float64, o *Options) error {
	rng := rand.New(rand.NewPCG(o.Seed, 0x62616773))
	sum := make([]float64, obj.dim())
	loss, steps := 0.0, 0
	for range o.Bags {
		obj.reweigh(redrawn(fleets, examples, w, rng))
		obj.centre = obj.alone()
		if err := m.minimise(obj, o); err != nil {
			return err
		}
		for i, x := range m.weight {
			sum[i] += x / float64(o.Bags)
		}
		loss += m.Loss / float64(o.Bags)
		steps += m.Iterations
	}
	m.weight, m.Loss, m.Iterations = sum, loss, steps
	return nil
}

// objective is the problem of the fit; each example stands in it twice.
func (m *Model) objective(examples []*Example, w []float64, o *Options) *objective {
	obj := &objective{m: &design{}, ridge: o.Ridge, smooth: o.Smooth}
	obj.first, obj.m.columns = firstColumns(&m.knots)
	for i := range m.knots {
		obj.knots[i] = len(m.knots[i])
	}
	add := func(x *[feature.NumFeatures]float32, e *Example, w float64) {
		obj.m.add(&m.knots, &obj.first, x)
		obj.state = append(obj.state, uint8(e.State))
		obj.weight = append(obj.weight, w)
		obj.addLaw(x)
	}
	rng := rand.New(rand.NewPCG(o.Seed, 0x7468696e))
	for i, e := range examples {
		if o.NoThinning {
			add(&e.Value, e, w[i])
			continue
		}
		add(&e.Value, e, w[i]/2)
		x := e.Value
		drop(&x, rng)
		thin(&x, rng)
		add(&x, e, w[i]/2)
	}
	obj.prepare()
	obj.centre = obj.alone()
	return obj
}

// Carry mixes a table that was learned before into the model, by its share: what it
// learned from fleets that are no longer at hand is not lost at once.
func (m *Model) Carry(t *diagnose.Table, share float64) {
	first, columns := firstColumns(&m.knots)
	mix := func(at int, old float32) { m.weight[at] += share * (float64(old) - m.weight[at]) }
	for s, b := range t.Bias() {
		mix(columns*states+s, b+float32(math.Log(m.prior[s]))) // as Table takes it off again
	}
	for i, knots := range m.knots {
		for j, k := range knots {
			for s, x := range t.Taught(feature.ID(i), k) {
				mix((first[i]+j)*states+s, x)
			}
		}
	}
}

// Alone returns the model before the fit: what each feature says by itself.
func (m *Model) Alone() *Model {
	a := *m
	a.weight, a.Iterations = m.centre, 0
	return &a
}

// addLaw appends what the laws say of x.
func (o *objective) addLaw(x *[feature.NumFeatures]float32) {
	v := vector(x)
	var l diagnose.Score
	diagnose.Laws(&v, &l)
	if l == (diagnose.Score{}) {
		o.law = append(o.law, -1)
		return
	}
	o.law = append(o.law, int32(len(o.laws)))
	o.laws = append(o.laws, l)
}

func (m *Model) minimise(obj *objective, o *Options) error {
	// The optimiser asks for value and gradient one after the other.
	at, gradient, loss := make([]float64, obj.dim()), make([]float64, obj.dim()), math.NaN()
	eval := func(x []float64) {
		if loss == loss && slices.Equal(at, x) {
			return
		}
		copy(at, x)
		loss = obj.eval(x, gradient)
	}
	problem := optimize.Problem{
		Func: func(x []float64) float64 { eval(x); return loss },
		Grad: func(g, x []float64) { eval(x); copy(g, gradient) },
	}
	settings := &optimize.Settings{
		MajorIterations: o.Iterations,
		Converger:       &optimize.FunctionConverge{Relative: 1e-6, Iterations: 5},
	}
	if o.Progress != nil {
		settings.Recorder = &recorder{tell: o.Progress}
	}
	r, err := optimize.Minimize(problem, slices.Clone(obj.centre), settings,
		&optimize.LBFGS{Store: 8, Linesearcher: &optimize.MoreThuente{}})
	// A line search that finds no lower point any more has arrived as near as
	// the arithmetic allows.
	if err != nil && !errors.Is(err, optimize.ErrLinesearcherFailure) && !errors.Is(err, optimize.ErrNoProgress) {
		return fmt.Errorf("the fit failed: %w", err)
	}
	if r == nil {
		return fmt.Errorf("the fit failed: %w", err)
	}
	m.weight, m.Loss, m.Iterations, m.Status = r.X, r.F, r.MajorIterations, r.Status.String()
	return nil
}

type recorder struct {
	tell func(int, float64)
	n    int
}

func (r *recorder) Init() error { return nil }

func (r *recorder) Record(l *optimize.Location, op optimize.Operation, _ *optimize.Stats) error {
	if op == optimize.MajorIteration {
		r.tell(r.n, l.F)
		r.n++
	}
	return nil
}

// StateName is a state's name in the table's file.
func StateName(s diagnose.State) string {
	switch s {
	case diagnose.WarmLoad:
		return "warm-load"
	case diagnose.Unplugged:
		return "unplugged"
	case diagnose.Resettled:
		return "resettled"
	}
	return s.Fault().String()
}

// Table writes the table in the form that diagnose.ParseTable reads.
func (m *Model) Table(version string) ([]byte, error) {
	type oneFeature struct {
		Name   string      `json:"name"`
		Knots  []float32   `json:"knots"`
		Weight [][]float32 `json:"weight"`
	}
	file := struct {
		Version  string       `json:"version"`
		States   []string     `json:"states"`
		Bias     []float32    `json:"bias"`
		Features []oneFeature `json:"features"`
	}{Version: version}
	first, columns := firstColumns(&m.knots)
	for s := range diagnose.NumStates {
		file.States = append(file.States, StateName(diagnose.State(s)))
		file.Bias = append(file.Bias, rounded(m.weight[columns*states+s]-math.Log(m.prior[s]), 4))
	}
	for i, k := range m.knots {
		f := oneFeature{Name: feature.ID(i).String(), Knots: k}
		for j := range k {
			row := make([]float32, states)
			for s := range row {
				row[s] = rounded(m.weight[(first[i]+j)*states+s], 3)
			}
			f.Weight = append(f.Weight, row)
		}
		file.Features = append(file.Features, f)
	}
	b, err := json.Marshal(file)
	if err != nil {
		return nil, fmt.Errorf("the table cannot be written: %w", err)
	}
	if _, err := diagnose.ParseTable(b); err != nil {
		return nil, err
	}
	return append(b, '\n'), nil
}
