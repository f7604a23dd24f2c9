// Package sensitivity says at which probability of trouble a finding must be
// raised so that a machine causes a wanted number of false alarms a year, and what
// that costs in delay. The relation is measured, by running the models over
// labelled fleets at several thresholds, and kept in trade.json with the
// fingerprint of the table of causes it was measured with.
package sensitivity

import (
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
)

// Point is what was measured at one threshold.
type Point struct {
	RaiseAt     float64 `json:"raise_at"`              // probability of trouble at which a finding is raised
	FalseAlarms float64 `json:"false_alarms"`          // a machine and year, of those a person is told
	Delay       float64 `json:"median_delay_hours"`    // from the first measurable effect of a fault to the raise
	Noticed     float64 `json:"noticed"`               // share of the faults
	Counted     int     `json:"false_alarms_counted"`  // what FalseAlarms is made of
	Raw         float64 `json:"false_alarms_measured"` // before the rates were made monotone
}

// Trade is the relation. It does not change.
type Trade struct {
	Format       int     `json:"format"`
	Table        string  `json:"table"` // fingerprint of the table of causes
	Fleets       string  `json:"fleets"`
	MachineYears float64 `json:"machine_years"` // without a fault
	Points       []Point `json:"points"`        // by RaiseAt
}

//go:embed trade.json
var measured []byte

// Measured returns the relation that ships with the program.
func Measured() *Trade {
	t, err := Parse(measured)
	if err != nil {
		panic(err) // our own file
	}
	return t
}

const format = 1

// Parse reads a relation as Write writes it.
func Parse(b []byte) (*Trade, error) {
	var t Trade
	if err := json.Unmarshal(b, &t); err != nil {
		return nil, fmt.Errorf("sensitivity: %w", err)
	}
	if t.Format != format {
		return nil, fmt.Errorf("sensitivity: the file is of format %d, this program knows %d: measure it again with coilward sensitivity", t.Format, format)
	}
	return &t, t.check()
}

func (t *Trade) check() error {
	if len(t.Points) < 2 {
		return errors.New("sensitivity: at least two thresholds must have been measured")
	}
	for i, p := range t.Points {
		if !(p.RaiseAt > 0 && p.RaiseAt < 1) || !(p.FalseAlarms > 0) || !(p.Delay >= 0) {
			return fmt.Errorf("sensitivity: point %d, at %g with %g false alarms and %g h, makes no sense", i+1, p.RaiseAt, p.FalseAlarms, p.Delay)
		}
		if i > 0 && (p.RaiseAt <= t.Points[i-1].RaiseAt || p.FalseAlarms >= t.Points[i-1].FalseAlarms) {
			return fmt.Errorf("sensitivity: point %d, at %g, does not have a higher threshold and fewer false alarms than the one before", i+1, p.RaiseAt)
		}
	}
	return nil
}

// Write writes the relation.
func (t *Trade) Write() ([]byte, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	b, err := json.MarshalIndent(t, "", " ")
	return append(b, '\n'), err
}

// New makes a relation of measured points. Chance makes counts that should fall
// with the threshold rise now and then: rates are made monotone by pooling
// adjacent violators (Ayer et al., Annals of Mathematical Statistics 26, 1955),
// and made to fall by a little where they are equal, since an inverse is wanted.
// A count of none is taken for half an alarm.
func New(table, fleets string, machineYears float64, points []Point) (*Trade, error) {
	points = slices.Clone(points)
	slices.SortFunc(points, func(a, b Point) int { return cmp.Compare(a.RaiseAt, b.RaiseAt) })
	rates, delays := make([]float64, len(points)), make([]float64, len(points))
	for i := range points {
		p := &points[i]
		p.Raw = float64(p.Counted) / machineYears
		rates[i] = -max(float64(p.Counted), 0.5) / machineYears
		delays[i] = p.Delay
	}
	isotonic(rates)
	isotonic(delays)
	for i := range points {
		points[i].FalseAlarms, points[i].Delay = -rates[i], delays[i]
		if i > 0 {
			points[i].FalseAlarms = min(points[i].FalseAlarms, points[i-1].FalseAlarms*0.98)
		}
	}
	t := &Trade{Format: format, Table: table, Fleets: fleets, MachineYears: machineYears, Points: points}
	return t, t.check()
}

// isotonic replaces x by the non-decreasing sequence nearest to it in squares.
func isotonic(x []float64) {
	type block struct {
		mean float64
		n    int
	}
	var blocks []block
	for _, v := range x {
		b := block{v, 1}
		for len(blocks) > 0 && blocks[len(blocks)-1].mean > b.mean {
			last := blocks[len(blocks)-1]
			b = block{(last.mean*float64(last.n) + b.mean*float64(b.n)) / float64(last.n+b.n), last.n + b.n}
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	i := 0
	for _, b := range blocks {
		for range b.n {
			x[i] = b.mean
			i++
		}
	}
}

func logit(p float64) float64    { return math.Log(p / (1 - p)) }
func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// RaiseAt returns the threshold that was measured to cause the wanted number of
// false alarms a machine and year: the logarithm of the rate is taken to be linear
// in the log odds between two measured points. A rate beyond them gets the last
// threshold on its side: nobody knows what is further out.
func (t *Trade) RaiseAt(falseAlarms float64) float64 {
	ps := t.Points
	i := slices.IndexFunc(ps, func(p Point) bool { return p.FalseAlarms <= falseAlarms })
	switch i {
	case -1:
		return ps[len(ps)-1].RaiseAt
	case 0:
		return ps[0].RaiseAt
	}
	a, b := ps[i-1], ps[i]
	w := math.Log(falseAlarms/a.FalseAlarms) / math.Log(b.FalseAlarms/a.FalseAlarms)
	return logistic(logit(a.RaiseAt) + w*(logit(b.RaiseAt)-logit(a.RaiseAt)))
}

// At returns what to expect of a threshold, interpolated like RaiseAt.
func (t *Trade) At(raiseAt float64) (falseAlarms, delayHours float64) {
	ps := t.Points
	i := slices.IndexFunc(ps, func(p Point) bool { return p.RaiseAt >= raiseAt })
	switch i {
	case -1:
		return ps[len(ps)-1].FalseAlarms, ps[len(ps)-1].Delay
	case 0:
		return ps[0].FalseAlarms, ps[0].Delay
	}
	a, b := ps[i-1], ps[i]
	w := (logit(raiseAt) - logit(a.RaiseAt)) / (logit(b.RaiseAt) - logit(a.RaiseAt))
	return math.Exp((1-w)*math.Log(a.FalseAlarms) + w*math.Log(b.FalseAlarms)), a.Delay + w*(b.Delay-a.Delay)
}

// Reach returns the least and the most false alarms a machine and year that a
// threshold was measured for.
func (t *Trade) Reach() (least, most float64) {
	return t.Points[len(t.Points)-1].FalseAlarms, t.Points[0].FalseAlarms
}
