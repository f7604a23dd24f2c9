package board

import (
	"context"
	"math"
	"slices"
	"strconv"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

func (b *Board) stripsData(ctx context.Context, r Reader, id string, q stripsQuery) (any, error) {
	m, s, v, _, ok := b.machine(id)
	if !ok {
		return nil, errGone
	}
	loc := zone(s)
	out := strips{Machine: id, Columns: columns, Zone: loc.String(), window: b.windowOf(r, id, q, loc)}
	now := b.clock.Now()
	rec, err := b.record(ctx, id, &out.window, r)
	if err != nil {
		return nil, err
	}
	if rec.readings == 0 && rec.traced == 0 {
		out.Missing = "No readings are stored for the last " + out.label + "."
		if out.past {
			out.Missing = "No readings are stored for the " + out.label + " before " + out.Past + "."
		}
		return out, nil
	}
	if rec.broad() {
		out.Means = out.overWords
	}
	out.Untraced = out.span > longestTrace
	out.Axis = out.ticks(rec.frame, r, loc)
	out.draw(rec, m, r)
	out.pin(rec, evidenceOf(v), r, now, loc)
	out.ordinary(rec, v.Happenings, r, now, loc)
	for i := range columns {
		out.Data.Times = append(out.Data.Times, r.moment(rec.from.Add(time.Duration(i)*rec.width()+rec.width()/2), now, loc))
	}
	return out, nil
}

// timeTicks labels the frame at round local times, so that a day that is 23 or
// 25 hours long still has its midnight at midnight.
func timeTicks(f frame, major time.Duration, r Reader, loc *time.Location) []tick {
	var out []tick
	from := f.from.In(loc)
	hours := int(major / time.Hour)
	for day := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, loc); !day.After(f.to); {
		for h := 0; h < 24; h += hours {
			t := time.Date(day.Year(), day.Month(), day.Day(), h, 0, 0, 0, loc)
			if t.Before(f.from) || t.After(f.to) || t.Hour() != h {
				continue
			}
			x, label := f.share(t), t.Format(either(r.TwelveHour, "3"+nb+"pm", "15:04"))
			if h == 0 {
				label = t.Format("Mon 2")
			}
			out = append(out, tick{X: per(x), Top: either(h == 0, "18", "23"), Label: label, Anchor: anchor(x), Fine: h/hours%2 != 0})
		}
		day = time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, loc)
	}
	return out
}

// anchor keeps a label at x inside the strip.
func anchor(x float64) string {
	switch {
	case x < 0.04:
		return "start"
	case x > 0.96:
		return "end"
	}
	return "middle"
}

// draw makes the charts and the ribbons.
func (out *strips) draw(rec *record, m *fleet.Machine, r Reader) {
	for _, g := range groups {
		s := strip{ID: g.id, Title: g.title}
		lo, hi := math.Inf(1), math.Inf(-1)
		widen := func(e *envelope) {
			if e != nil && e.n > 0 {
				l, h := e.reach()
				lo, hi = min(lo, l), max(hi, h)
			}
		}
		var shown []collector.Channel
		for _, c := range g.channels {
			if rec.channels[c] != nil && rec.channels[c].n > 0 {
				shown = append(shown, c)
				widen(rec.channels[c])
			}
		}
		air := g.id == "air"
		if air {
			for _, e := range []*envelope{rec.product, rec.airLow, rec.airHigh} {
				widen(e)
			}
			if !math.IsInf(lo, 0) {
				lo, hi = min(lo, r.scale(m.Limits.Cold)), max(hi, r.scale(m.Limits.Warm))
			}
		}
		if math.IsInf(lo, 0) {
			continue
		}
		if g.channels[0].Info().Unit == "A" {
			lo = 0
		}
		a, marks, digits := rule(lo, hi)
		s.Unit = r.unit(g.channels[0])
		for _, v := range marks {
			s.Grid = append(s.Grid, gridLine{per(a.y(v) / plotHeight), number(v, digits)})
		}
		if air {
			s.Band = area(rec.airLow, rec.airHigh, a, rec.gap)
			s.Spread = area(rec.spread[0], rec.spread[1], a, rec.gap)
			s.Limits = []gridLine{
				{per(a.y(r.scale(m.Limits.Warm)) / plotHeight), "warm limit " + r.temperature(m.Limits.Warm)},
				{per(a.y(r.scale(m.Limits.Cold)) / plotHeight), "cold limit " + r.temperature(m.Limits.Cold)},
			}
		}
		for i, c := range shown {
			out.line(&s, channelWords[c], "pen"+strconv.Itoa(i), rec.channels[c], a, rec, g.digits)
		}
		if air && rec.product.n > 0 {
			out.line(&s, "product, estimated", "product", rec.product, a, rec, g.digits)
		}
		out.Strips = append(out.Strips, s)
	}
	out.ribbons(rec)
}

// unit is the unit of a channel's axis for the reader.
func (r Reader) unit(c collector.Channel) string {
	switch {
	case c.IsTemperature():
		return r.degree()
	case c.Info().Unit == "1/min":
		return "rpm"
	case c.Info().Unit == "%RH":
		return "% RH"
	}
	return c.Info().Unit
}

func (out *strips) line(s *strip, name, class string, e *envelope, a axis, rec *record, digits int) {
	l := stripLine{Index: len(out.Data.Lines), Name: name, Class: class, Newest: number(e.newest(), digits) + nb + s.Unit}
	if rec.broad() {
		l.Range = area(e, e, a, rec.gap)
		e = e.mean(rec.around())
	}
	l.Path = e.path(a, rec.gap)
	s.Lines = append(s.Lines, l)
	c := crossLine{Strip: s.ID, Name: name, Unit: s.Unit, Values: make([]figure, columns)}
	for i, v := range e.last {
		c.Values[i] = figure{v, digits}
	}
	out.Data.Lines = append(out.Data.Lines, c)
}

// ribbons adds the states: run state after the coil, door last.
func (out *strips) ribbons(rec *record) {
	run := strip{ID: "run", Title: "Compressor", Unit: "%", Ribbon: true}
	if share := rec.running.total(); !math.IsNaN(share) {
		out.state(&run, "runs", "runs", rec.running.mean(rec.around()), 0)
		run.Says = "ran " + percent(share) + " of the time"
	}
	if share := rec.tripped.total(); share > 0 {
		out.state(&run, "tripped: called for, but stopped", "trips", &rec.tripped, 0.5)
	}
	if share := rec.call.total(); !math.IsNaN(share) && !rec.broad() {
		out.state(&run, "thermostat calls", "calls", &rec.call, 0)
	}
	if len(run.Lines) > 0 {
		at := slices.IndexFunc(out.Strips, func(s strip) bool { return s.ID == "currents" || s.ID == "fans" })
		if at < 0 {
			at = len(out.Strips)
		}
		out.Strips = slices.Insert(out.Strips, at, run)
	}
	if share := rec.door.total(); !math.IsNaN(share) {
		door := strip{ID: "door", Title: "Door", Unit: "%", Ribbon: true}
		door.Says = "open " + span(time.Duration(share*float64(rec.to.Sub(rec.from)))) + " in all"
		if rec.width() < time.Hour {
			out.state(&door, "open", "opens", &rec.door, 0.35)
		} else { // it is open a little at any time: how much tells more than that
			d := rec.door.mean(rec.around())
			most := d.most()
			out.state(&door, "open", "opens", d.times(1/max(most, 0.01)), 0)
			out.unscale(d)
			door.Says += ", at most " + number(100*most, 1) + nb + "% of " + rec.overWords + ", which is drawn full"
		}
		out.Strips = append(out.Strips, door)
	}
}

func (out *strips) state(s *strip, name, class string, d *duty, floor float64) {
	s.Lines = append(s.Lines, stripLine{Index: len(out.Data.Lines), Name: name, Class: class, Path: d.path(floor), Filled: class != "calls"})
	c := crossLine{Strip: s.ID, Name: name, Unit: "%", Values: make([]figure, columns)}
	for i := range columns {
		c.Values[i] = figure{d.share(i) * 100, 0}
	}
	out.Data.Lines = append(out.Data.Lines, c)
}

// unscale lets the crosshair read what the last line was before it was stretched.
func (out *strips) unscale(d *duty) {
	c := &out.Data.Lines[len(out.Data.Lines)-1]
	for i := range columns {
		c.Values[i] = figure{d.share(i) * 100, 1}
	}
}

// numbered is one line of evidence with its number on the page.
type numbered struct {
	detect.Evidence
	number int
}

// evidenceOf numbers the evidence of all open findings in page order.
func evidenceOf(v detect.View) []numbered {
	var out []numbered
	for _, f := range v.OpenFindings {
		for _, e := range f.Evidence {
			out = append(out, numbered{e, len(out) + 1})
		}
	}
	return out
}

// pin puts the evidence beside the place in time it comes from.
func (out *strips) pin(rec *record, evidence []numbered, r Reader, now time.Time, loc *time.Location) {
	for _, e := range evidence {
		since := e.Since.Time()
		if since.After(rec.to) {
			continue
		}
		p := pin{X: per(max(0.012, min(0.988, rec.share(since)))), Number: strconv.Itoa(e.number),
			Label: "Evidence " + strconv.Itoa(e.number) + ", since " + r.moment(since, now, loc) + ": " + r.sentence(e.Text)}
		if at := slices.IndexFunc(out.Strips, func(s strip) bool { return s.carries(e.Channel) }); at >= 0 {
			out.Strips[at].Pins = append(out.Strips[at].Pins, p)
		}
	}
}

// carries reports whether the channel is drawn on the strip.
func (s strip) carries(c collector.Channel) bool {
	switch c {
	case collector.Door:
		return s.ID == "door"
	case collector.CompressorCall:
		return s.ID == "run"
	}
	for _, l := range s.Lines {
		if l.Name == channelWords[c] {
			return true
		}
	}
	return false
}

// ordinary adds the timeline of ordinary life as the last strip.
func (out *strips) ordinary(rec *record, life []detect.Happening, r Reader, now time.Time, loc *time.Location) {
	s := strip{ID: "life", Title: "Ordinary life", Ribbon: true}
	for _, h := range life {
		from, to := h.From.Time(), now
		if h.To != 0 {
			to = h.To.Time()
		}
		if to.Before(rec.from) || from.After(rec.to) {
			continue
		}
		x, end := rec.share(from), rec.share(to)
		s.Blocks = append(s.Blocks, block{per(x), per(max(0.004, end-x)), h.Kind.String() + ", " + r.moment(from, now, loc)})
	}
	if len(s.Blocks) > 0 {
		out.Strips = append(out.Strips, s)
	}
}
