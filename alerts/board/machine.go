package board

import (
	"context"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// verdict is the head of a machine's page.
type verdict struct {
	Machine, Site, SiteURL   string
	What                     string // kind and product
	Trouble                  *rulerLine
	Says                     string // one sentence when nothing is wrong
	Figures                  []fact
	Findings                 []findingView
	Cautions                 []string
	Unlisted, Unheard, Quiet bool
}

// fact is one labelled value; From says where it comes from.
type fact struct{ Name, Value, From string }

// findingView is one open finding.
type findingView struct {
	ID, Title, Meaning, Chance, Since, Repairs string
	Candidates                                 []candidate
	Evidence                                   []evidenceLine
	RuledOut                                   []string
}

type candidate struct{ Name, Share, Width string }

type evidenceLine struct{ Number, Text, Since, Channel string }

func machineURL(id string) string { return "/machines/" + url.PathEscape(id) }
func siteURL(id string) string    { return "/sites/" + url.PathEscape(id) }

func (b *Board) verdictData(_ context.Context, r Reader, id string) (any, error) {
	m, s, v, heard, ok := b.machine(id)
	if !ok {
		return nil, errGone
	}
	p := b.look()
	now, loc := b.clock.Now(), zone(s)
	out := verdict{Machine: id, Site: site{Site: s}.label(), SiteURL: siteURL(s.ID), Unlisted: m.Unlisted, Unheard: !heard,
		What: kindWords[m.Kind] + ", " + productWords[m.Product]}
	if m.Unlisted {
		out.What = "not in the fleet file, watched with defaults for " + productWords[m.Product]
	}
	out.Quiet = heard && len(v.OpenFindings) == 0
	if len(v.OpenFindings) > 0 {
		row := b.rulerLine(r, now, p.lineOf(m, s, v))
		out.Trouble = &row
		out.findings(v, r, now, loc)
		var causes []fault.Fault
		for _, f := range v.OpenFindings {
			for _, c := range f.Candidates {
				if c.Probability >= 0.05 {
					causes = append(causes, c.Fault)
				}
			}
		}
		out.Cautions = cautions(m, causes)
	}
	switch {
	case !heard:
		out.Says = "Nothing was heard of this machine yet. Check that its gateway publishes to its topic."
	case out.Quiet && v.LinkLost:
		out.Says = "Its link is lost, so how it is now is not known. Its last readings showed nothing wrong."
	case out.Quiet:
		out.Says = "Nothing is wrong that its readings show; " + probability(v.WellProbability) + " sure that it is well."
	}
	out.Figures = b.figures(m, s, v, heard, r, now)
	return out, nil
}

func (out *verdict) findings(v detect.View, r Reader, now time.Time, loc *time.Location) {
	evidence := evidenceOf(v)
	for _, f := range v.OpenFindings {
		fv := findingView{ID: f.ID, Title: f.Fault.Title(), Meaning: f.Fault.Meaning(), Chance: chance(f.Probability) + ", " + probability(f.Probability)}
		if f.Fault.Mechanic() {
			fv.Repairs = "for a certified refrigeration mechanic"
		}
		if f.Since != 0 {
			fv.Since = "seems to have begun " + r.moment(f.Since.Time(), now, loc)
		}
		for _, c := range f.Candidates {
			fv.Candidates = append(fv.Candidates, candidate{c.Fault.Title(), probability(c.Probability), per(c.Probability)})
		}
		for range f.Evidence {
			e := evidence[0]
			evidence = evidence[1:]
			fv.Evidence = append(fv.Evidence, evidenceLine{strconv.Itoa(e.number), r.sentence(e.Text),
				r.moment(e.Since.Time(), now, loc), channelWords[e.Channel]})
		}
		for _, e := range f.RuledOut {
			if f, why, ok := e.Against(); ok { // named as on the rest of the page
				e.Text = "not " + strings.ToLower(f.Title()[:1]) + f.Title()[1:] + ": " + why
			}
			fv.RuledOut = append(fv.RuledOut, r.sentence(e.Text))
		}
		out.Findings = append(out.Findings, fv)
	}
}

// figures are the numbers a tech asks for first, each with what it rests on.
func (b *Board) figures(m *fleet.Machine, s *fleet.Site, v detect.View, heard bool, r Reader, now time.Time) []fact {
	loc := zone(s)
	var out []fact
	if v.HasProduct {
		out = append(out, fact{"Product now", r.temperature(v.ProductTemperature), "estimated, ± " + r.difference(v.ProductSD)})
	}
	out = append(out,
		fact{"Warm limit", r.temperature(m.Limits.Warm), origin(m, fleet.FieldWarmLimit)},
		fact{"Cold limit", r.temperature(m.Limits.Cold), origin(m, fleet.FieldColdLimit)})
	if m.LoadValue > 0 {
		out = append(out, fact{"On board", money(b.money(), m.LoadValue), "fleet file"})
	}
	if !heard {
		return out
	}
	if share := v.CapacityShare; !math.IsNaN(share) && share > 0 {
		out = append(out, fact{"Cooling capacity", percent(share), "of this machine's own when well"})
	}
	out = append(out, r.hotDayFact(&v))
	if !math.IsNaN(v.RunFraction) {
		out = append(out, fact{"Ran", percent(v.RunFraction), "of the time lately; the last hours count most"})
	}
	if v.Learned && !math.IsNaN(float64(v.CutOut)) && !math.IsNaN(float64(v.CutIn)) {
		out = append(out, fact{"Thermostat", r.temperature(v.CutOut) + " to " + r.temperature(v.CutIn), "learned cut-out and cut-in" + r.bandWanted(m, &v)})
	} else if m.Setpoint != nil {
		out = append(out, fact{"Setpoint", r.temperature(*m.Setpoint), "fleet file"})
	}
	if m.Refrigerant != "" {
		out = append(out, fact{"Refrigerant", m.Refrigerant, "fleet file"})
	}
	if s.Address != "" {
		out = append(out, fact{"Where", s.Address, s.Contact.Note})
	}
	if c := s.Contact; c.Name != "" || c.Phone != "" {
		out = append(out, fact{"At the site", strings.TrimSpace(c.Name + " " + c.Phone), c.Email})
	}
	own := "this machine's own normal is known"
	if !v.Learned {
		own = "still learning this machine: judged by its kind"
	}
	if v.LinkLost {
		own = "and then the broker saw its link break"
	}
	return append(out, fact{"Heard", r.moment(v.LastHeard.Time(), now, loc), own})
}

// bandOff is by how much what a thermostat does may differ from what the fleet file
// says it is set to before somebody should look which of them is wrong: twice what
// bulb and probe, in different places, differ by in well machines.
const bandOff quantity.Kelvin = 1

// bandWanted says what band the fleet file wants of a machine, and what to do where it
// holds another; "" where the file does not say.
func (r Reader) bandWanted(m *fleet.Machine, v *detect.View) string {
	if m.Setpoint == nil || m.Differential == nil {
		return ""
	}
	half := *m.Differential / 2
	out, in := m.Setpoint.Add(-half), m.Setpoint.Add(half)
	s := "; by the fleet file " + r.temperature(out) + " to " + r.temperature(in)
	if middle := (v.CutOut.Sub(out) + v.CutIn.Sub(in)) / 2; max(middle, -middle) > bandOff {
		s += ": somebody has turned it, or it drifts. Correct whichever is wrong"
	}
	return s
}

// origin says where a limit of the machine comes from.
func origin(m *fleet.Machine, f fleet.Field) string {
	switch o := m.Origin(f); {
	case o.Level != fleet.BuiltIn:
		return "set for the " + o.String()
	case f == fleet.FieldWarmLimit:
		return m.Product.LimitSource()
	}
	return "built in: below it product freezes"
}

// timeline is what happened, newest first.
type timeline struct {
	Happenings []happeningLine
}

type happeningLine struct{ When, Kind, Text string }

func (b *Board) timelineData(_ context.Context, r Reader, id string) (any, error) {
	_, s, v, _, ok := b.machine(id)
	if !ok {
		return nil, errGone
	}
	now, loc := b.clock.Now(), zone(s)
	var out timeline
	for i := len(v.Happenings) - 1; i >= 0; i-- {
		h := v.Happenings[i]
		when := r.moment(h.From.Time(), now, loc)
		if h.To == 0 {
			when += ", still going on"
		} else if d := h.To.Sub(h.From); d >= time.Minute {
			when += ", " + span(d)
		}
		out.Happenings = append(out.Happenings, happeningLine{when, h.Kind.String(), r.sentence(h.Text)})
	}
	return out, nil
}

// sensorLine is the latest value of one channel.
type sensorLine struct{ Channel, Value, What string }

type sensors struct {
	When string
	Rows []sensorLine
}

func (b *Board) sensorsData(_ context.Context, r Reader, id string) (any, error) {
	m, s, v, heard, ok := b.machine(id)
	if !ok {
		return nil, errGone
	}
	out := sensors{}
	if heard {
		out.When = r.moment(v.At.Time(), b.clock.Now(), zone(s))
	}
	listed := m.Channels
	for c := range collector.Channel(collector.NumChannels) {
		switch {
		case v.Has.Has(c):
			out.Rows = append(out.Rows, sensorLine{channelWords[c], r.value(c, v.Value[c]), c.Info().What})
		case listed.Has(c):
			out.Rows = append(out.Rows, sensorLine{channelWords[c], "not heard", c.Info().What})
		}
	}
	return out, nil
}
