package alerts

import (
	"math"
	"slices"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// incident is one thing wrong with one machine: a finding, and the findings it
// turned into. Its fields are exported for the snapshot only.
type incident struct {
	ID       string // of the first finding; the replay's finding
	Machine  string
	Site     string
	Findings []detect.Finding // newest state of each that is open, oldest first; after the end the last one
	RaisedAt collector.Millis
	DelayAt  collector.Millis // the on-delay runs from here
	EndedAt  collector.Millis // all findings cleared; 0: not
	Priority Priority
	Reason   Reason
	Why      string
	OutSince collector.Millis // the product was last found outside its limits, from then on; 0: it was not
	Said     said
	Seq      int // of its reports
	Alert    string
	Group    string
	Flaps    int // raises of the same kind in the last day, before this one
}

// said is what was last reported, which a change is held against.
type said struct {
	At       collector.Millis
	Fault    fault.Fault
	Priority Priority
	LimitAt  collector.Millis
}

// lead is the finding that explains the others.
func (in *incident) lead() *detect.Finding {
	lead := &in.Findings[0]
	for i := 1; i < len(in.Findings); i++ {
		if in.Findings[i].Fault.TurnsInto(lead.Fault) {
			lead = &in.Findings[i]
		}
	}
	return lead
}

// related reports whether the finding belongs to the incident.
func (in *incident) related(f *detect.Finding) bool {
	l := in.lead().Fault
	return l == f.Fault || l.TurnsInto(f.Fault) || f.Fault.TurnsInto(l)
}

// put takes a finding's new state. It reports false for one that is older than
// what is known.
func (in *incident) put(f detect.Finding) bool {
	i := slices.IndexFunc(in.Findings, func(g detect.Finding) bool { return g.ID == f.ID })
	switch {
	case i >= 0 && f.Seq <= in.Findings[i].Seq:
		return false
	case f.Change == detect.Cleared && i < 0:
		return false
	case f.Change == detect.Cleared && len(in.Findings) == 1:
		in.Findings[0].Seq = f.Seq
		in.EndedAt = f.At
	case f.Change == detect.Cleared:
		in.Findings = slices.Delete(in.Findings, i, i+1)
	case i >= 0:
		in.Findings[i] = f
		in.EndedAt = 0
	case in.EndedAt != 0: // it recurs: what cleared is history
		in.Findings = append(in.Findings[:0], f)
		in.EndedAt = 0
	default:
		in.Findings = append(in.Findings, f)
	}
	return true
}

// look takes from a finding whether the product is out of its limits, and since
// when. What was measured counts before what was forecast.
func (in *incident) look(f *detect.Finding, l fleet.Limits) {
	out := f.LimitAt != 0 && f.LimitAt <= f.At
	if f.HasProduct {
		out = !l.Holds(f.ProductTemperature)
	}
	if !out {
		in.OutSince = 0
		return
	}
	for _, at := range []collector.Millis{f.At, f.OutSince, f.LimitAt} {
		if at != 0 && at <= f.At && (in.OutSince == 0 || at < in.OutSince) {
			in.OutSince = at
		}
	}
}

// assess weighs every open finding; the most urgent counts.
func (in *incident) assess(r *Rules, m *fleet.Machine, c *FoodClock, now collector.Millis) Assessment {
	weigh := func(f *detect.Finding) Assessment { return r.AssessAll([]Stake{{f, m, c, in.OutSince}}, now) }
	best := weigh(in.lead())
	for i := range in.Findings {
		if a := weigh(&in.Findings[i]); a.Priority > best.Priority {
			best = a
		}
	}
	return best
}

// limit is the soonest limit of the open findings.
func (in *incident) limit() (at, early, late collector.Millis, side detect.Side) {
	for i := range in.Findings {
		f := &in.Findings[i]
		if f.LimitAt != 0 && (at == 0 || f.LimitAt < at) {
			at, early, late, side = f.LimitAt, f.LimitEarly, f.LimitLate, f.LimitSide
		}
	}
	return at, early, late, side
}

// material reports whether what is known now differs enough from what was said.
func (in *incident) material(now collector.Millis, gap time.Duration) bool {
	if in.Priority != in.Said.Priority {
		return true
	}
	l := in.lead()
	if l.Fault != in.Said.Fault {
		was := 0.0
		for _, c := range l.Candidates {
			if c.Fault == in.Said.Fault {
				was = c.Probability
			}
		}
		// Two causes that take turns at the top are no news.
		if l.Probability >= was+0.1 || l.ID != in.ID {
			return true
		}
	}
	if now.Sub(in.Said.At) < gap {
		return false
	}
	at, _, _, _ := in.limit()
	return limitMoved(in.Said.LimitAt, at, now)
}

// limitMoved reports whether a limit moved materially: it came or went, or it
// moved by more than a fifth of the time that was left and more than 15 min. A
// limit that has passed and is put into the past again is no news.
func limitMoved(was, is, now collector.Millis) bool {
	if was == 0 || is == 0 {
		return was != is
	}
	if was <= now && is <= now {
		return false
	}
	d := is.Sub(was).Abs()
	left := max(was.Sub(now), 0)
	return d > 15*time.Minute && d > left/5
}

// report writes what is known now as a line.
func (in *incident) report(now collector.Millis, c detect.Change) *Report {
	l := in.lead()
	r := &Report{At: now, Machine: in.Machine, Site: in.Site, Finding: in.ID, Seq: in.Seq, Change: c,
		Fault: l.Fault, Probability: l.Probability, Candidates: ranked(l), Priority: in.Priority, Why: in.Why,
		HasProduct: l.HasProduct, ProductTemperature: l.ProductTemperature,
		Evidence: slices.Clone(l.Evidence), RuledOut: slices.Clone(l.RuledOut)}
	r.LimitAt, r.LimitEarly, r.LimitLate, _ = in.limit()
	in.Seq++
	in.Said = said{At: now, Fault: l.Fault, Priority: in.Priority, LimitAt: r.LimitAt}
	return r
}

// ranked are the candidates, each once, the leading one among them, their sum at
// most 1.
func ranked(f *detect.Finding) []detect.Candidate {
	out := causes(f)
	slices.SortStableFunc(out, func(a, b detect.Candidate) int {
		switch {
		case a.Probability > b.Probability:
			return -1
		case a.Probability < b.Probability:
			return 1
		}
		return 0
	})
	return slices.CompactFunc(out, func(a, b detect.Candidate) bool { return a.Fault == b.Fault })
}

// tidy makes a finding safe to store: JSON knows no NaN.
func tidy(f detect.Finding) detect.Finding {
	if !f.HasProduct || math.IsNaN(float64(f.ProductTemperature)) || math.IsInf(float64(f.ProductTemperature), 0) {
		f.HasProduct, f.ProductTemperature = false, 0
	}
	f.Evidence = tidyEvidence(f.Evidence)
	f.RuledOut = tidyEvidence(f.RuledOut)
	f.Candidates = slices.Clone(f.Candidates)
	return f
}

func tidyEvidence(ev []detect.Evidence) []detect.Evidence {
	out := slices.Clone(ev)
	for i, e := range out {
		if math.IsNaN(e.Weight) || math.IsInf(e.Weight, 0) {
			out[i].Weight = 0
		}
	}
	return out
}
