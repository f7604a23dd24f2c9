package alerts

import (
	"encoding/json"
	"math"
	"time"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// Report is one change of one finding, as replay prints it, a line each.
type Report struct {
	At      collector.Millis
	Machine string
	Site    string
	Finding string
	Seq     int
	Change  detect.Change

	Fault       fault.Fault
	Probability float64
	Candidates  []detect.Candidate
	Priority    Priority
	Why         string

	HasProduct                     bool
	ProductTemperature             quantity.Celsius
	LimitAt, LimitEarly, LimitLate collector.Millis // 0: not expected

	Evidence []detect.Evidence
	RuledOut []detect.Evidence
}

// MarshalJSON writes the line of the contract, and beside its fields seq, why,
// since the bounds of the limit and what was ruled out.
func (r Report) MarshalJSON() ([]byte, error) {
	type candidate struct {
		Fault       fault.Fault `json:"fault"`
		Probability float64     `json:"probability"`
	}
	line := struct {
		At          string      `json:"at"`
		Machine     string      `json:"machine"`
		Site        string      `json:"site"`
		Finding     string      `json:"finding"`
		Change      string      `json:"change"`
		Fault       fault.Fault `json:"fault"`
		Probability float64     `json:"probability"`
		Candidates  []candidate `json:"candidates"`
		Priority    Priority    `json:"priority"`
		Product     *float64    `json:"product_temperature"`
		LimitAt     *string     `json:"limit_at"`
		Evidence    []string    `json:"evidence"`
		LimitEarly  *string     `json:"limit_early,omitempty"`
		LimitLate   *string     `json:"limit_late,omitempty"`
		RuledOut    []string    `json:"ruled_out,omitempty"`
		Seq         int         `json:"seq"`
		Why         string      `json:"why,omitempty"`
	}{
		At: instant(r.At), Machine: r.Machine, Site: r.Site, Finding: r.Finding, Change: r.Change.String(),
		Fault: r.Fault, Probability: share(r.Probability), Candidates: []candidate{}, Priority: r.Priority,
		LimitAt: maybe(r.LimitAt), LimitEarly: maybe(r.LimitEarly), LimitLate: maybe(r.LimitLate),
		Evidence: texts(r.Evidence), RuledOut: texts(r.RuledOut), Seq: r.Seq, Why: r.Why,
	}
	for _, c := range r.Candidates {
		line.Candidates = append(line.Candidates, candidate{c.Fault, share(c.Probability)})
	}
	if t := float64(r.ProductTemperature); r.HasProduct && !math.IsNaN(t) && !math.IsInf(t, 0) {
		t = math.Round(t*100) / 100
		line.Product = &t
	}
	return json.Marshal(line)
}

func instant(m collector.Millis) string { return m.Time().Format(time.RFC3339) }

func maybe(m collector.Millis) *string {
	if m == 0 {
		return nil
	}
	s := instant(m)
	return &s
}

// share writes a probability to four places, never outside 0..1.
func share(p float64) float64 {
	if math.IsNaN(p) {
		return 0
	}
	return math.Round(math.Max(0, math.Min(1, p))*1e4) / 1e4
}

func texts(ev []detect.Evidence) []string {
	out := make([]string, len(ev))
	for i, e := range ev {
		out[i] = e.Text
	}
	return out
}
