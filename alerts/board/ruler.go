package board

import (
	"context"
	"slices"
	"strconv"
	"time"

	"coilward/detect"
)

// rulerReach is how far ahead the time-left ruler looks.
const rulerReach = 24 * time.Hour

// ruler is the time-left ruler as the page shows it.
type ruler struct {
	Ticks    []tick
	Timed    []rulerLine // leave their limit within the reach, or have left it
	Holding  []rulerLine // in trouble, but the product holds for now
	Machines int
	Silent   int // in the fleet file, never heard
	Blind    bool
}

// tick is a mark of the ruler's edge.
type tick struct {
	X      string // per cent of the width
	Top    string // where the mark begins; the edge is at 32
	Label  string
	Anchor string // on which side of X the label stands
	Fine   bool   // left out where there is no room
}

// rulerLine is one machine in trouble.
type rulerLine struct {
	Key      string
	Machine  string
	URL      string
	Site     string
	Cause    string
	Chance   string
	Others   string
	Left     string // time left, or what has happened
	Until    string // "until 5.0 °C, about 15:04"
	Between  string // "between 14:30 and 16:20"
	Product  string
	Value    string
	Priority string
	Why      string
	Group    string // "12 machines" when the line stands for more than one
	Alert    string // its ID; "" no alert yet
	AlertURL string
	Acted    string // what people have done
	Waiting  bool   // somebody must act
	Way      string // who is on the way
	Late     bool   // the arrival comes after the limit
	Past     bool
	Bar      bar
}

// bar is the drawn part of a line; all in per cent of the ruler's width.
type bar struct {
	Solid    string // until the early bound
	TaperX   string // from the early to the late bound
	TaperW   string
	Tick     string // where the limit is expected
	Arrive   string // planned arrival; "" none
	ArriveAt string
	Anchor   string // on which side of the mark its words stand
}

// rulerTicks are the marks of the ruler's edge: an hour each, longer every
// three, labelled every six. They count from now because sites are in several
// time zones; each line says its own site's time.
func rulerTicks() []tick {
	var out []tick
	for h := 0; h <= 24; h++ {
		t := tick{X: per(float64(h) / 24), Top: "27", Anchor: "middle"}
		switch {
		case h == 0:
			t.Top, t.Label, t.Anchor = "18", "now", "start"
		case h == 24:
			t.Top, t.Label, t.Anchor = "18", "24 h", "end"
		case h%6 == 0:
			t.Top, t.Label = "18", strconv.Itoa(h)+" h"
		case h%3 == 0:
			t.Top = "23"
		}
		out = append(out, t)
	}
	return out
}

// per writes a share as an SVG percentage.
func per(share float64) string {
	return strconv.FormatFloat(share*100, 'f', 2, 64) + "%"
}

func (b *Board) rulerData(_ context.Context, r Reader) (any, error) {
	p := b.look()
	out := ruler{Ticks: rulerTicks(), Machines: p.machines, Silent: p.machines - p.heard}
	for _, d := range b.health() {
		out.Blind = out.Blind || d.Blind
	}
	for _, l := range p.trouble {
		row := b.rulerLine(r, p.now, l)
		if l.past || !l.limit.IsZero() && l.limit.Sub(p.now) <= rulerReach {
			out.Timed = append(out.Timed, row)
		} else {
			out.Holding = append(out.Holding, row)
		}
	}
	slices.SortStableFunc(out.Holding, func(a, b rulerLine) int {
		if a.Waiting == b.Waiting {
			return 0
		}
		return either2(a.Waiting, -1, 1)
	})
	return out, nil
}

func (b *Board) rulerLine(r Reader, now time.Time, l line) rulerLine {
	f, loc := l.finding, zone(l.site)
	row := rulerLine{
		Key: elementID(l.machine.ID), Machine: l.machine.ID, URL: machineURL(l.machine.ID), Site: site{Site: l.site}.label(),
		Cause: f.Fault.Title(), Chance: chance(f.Probability) + ", " + probability(f.Probability),
		Past: l.past,
	}
	if l.group > 1 {
		row.Group = count(l.group, "machine", "machines")
		row.Cause = causeWords[l.alert.Cause]
	}
	if l.others > 0 {
		row.Others = "and " + count(l.others, "more finding", "more findings")
	}
	if l.view.HasProduct {
		row.Product = r.temperature(l.view.ProductTemperature)
	} else if f.HasProduct {
		row.Product = r.temperature(f.ProductTemperature)
	}
	if l.machine.LoadValue > 0 {
		row.Value = money(b.money(), l.machine.LoadValue) + " of " + productWords[l.machine.Product]
	} else {
		row.Value = productWords[l.machine.Product]
	}
	limit, where := l.machine.Limits.Warm, ""
	// The coldest product is forecast, the product shown is the bulk: where ice keeps the
	// cold in one place, both limits can be passed at once.
	warm := l.view.HasProduct && l.view.ProductTemperature > l.machine.Limits.Warm
	if f.LimitSide == detect.Cold && !warm {
		where = " next to the cold air"
	}
	if where != "" || l.view.HasProduct && l.view.ProductTemperature < l.machine.Limits.Cold {
		limit = l.machine.Limits.Cold
	}
	switch {
	case l.past && warm && f.LimitSide == detect.Cold:
		row.Left, row.Until = "past its limit", "limit "+r.temperature(limit)
		if f.LimitAt != 0 && !f.LimitAt.Time().After(now) {
			row.Between = "next to the cold air by the forecast frozen, since " + r.moment(f.LimitAt.Time(), now, loc)
		}
	case l.past:
		row.Left, row.Until = "past its limit", "limit "+r.temperature(limit)+where
		if where != "" && l.view.HasProduct && l.machine.Limits.Holds(l.view.ProductTemperature) {
			row.Left = "by the forecast frozen"
		}
		if l.limit.Before(now) {
			row.Until += ", since " + r.moment(l.limit, now, loc)
		}
	case l.limit.IsZero():
		row.Left = "holds for now"
	case !l.missed.IsZero(): // no time left is known, and the bounds have passed too
		row.Left, row.Until = "still within its limit", "limit "+r.temperature(limit)+"; the forecast said "+r.moment(l.missed, now, loc)
	default:
		row.Left = span(l.limit.Sub(now))
		row.Until = "until " + r.temperature(limit) + where + ", about " + r.moment(l.limit, now, loc)
		if f.LimitEarly != 0 && f.LimitLate != 0 {
			row.Between = "between " + r.moment(f.LimitEarly.Time(), now, loc) + " and " + r.moment(f.LimitLate.Time(), now, loc)
		}
	}
	row.Bar = barOf(now, l)
	b.people(&row, r, now, l)
	return row
}

// people fills in what people do about the line.
func (b *Board) people(row *rulerLine, r Reader, now time.Time, l line) {
	loc := zone(l.site)
	row.Way = "nobody on the way"
	alert := ""
	if l.alert != nil {
		alert = l.alert.ID
	}
	switch a, ok := b.arrival(l.machine.ID, alert); {
	case ok && a.There:
		row.Way = a.Who + " is there since " + r.moment(a.At, now, loc)
	case ok && a.Left:
		row.Way = a.Who + " was there until " + r.moment(a.At, now, loc) + ", not back to normal yet"
	case ok && a.At.After(now):
		row.Way = a.Who + " arrives " + r.moment(a.At, now, loc)
		row.Late = !l.limit.IsZero() && l.missed.IsZero() && a.At.After(l.limit) // of a forecast that was too dark nobody is late
		if d := a.At.Sub(now); d <= rulerReach {
			row.Bar.Anchor = either(d > rulerReach*2/3, "end", "start")
			row.Bar.Arrive, row.Bar.ArriveAt = per(float64(d)/float64(rulerReach)), a.Who+" "+r.hour(a.At.In(loc))
		}
	}
	if l.alert == nil {
		row.Acted = "no alert yet"
		return
	}
	a := l.alert
	row.Alert, row.AlertURL, row.Priority = a.ID, alertURL(a.ID), a.Priority.String()
	row.Waiting = waits(a.State)
	row.Acted = acted(r, a, now, loc)
	row.Why = r.sentence(b.whyNow(a, now))
}

// barOf lays a line out on the ruler.
func barOf(now time.Time, l line) bar {
	if l.limit.IsZero() || !l.missed.IsZero() {
		return bar{}
	}
	share := func(t time.Time) float64 {
		return min(1, max(0, float64(t.Sub(now))/float64(rulerReach)))
	}
	at := share(l.limit)
	early, late := at, at
	if e := l.finding.LimitEarly; e != 0 {
		early = min(at, share(e.Time()))
	}
	if e := l.finding.LimitLate; e != 0 {
		late = max(at, share(e.Time()))
	}
	return bar{Solid: per(early), TaperX: per(early), TaperW: per(late - early), Tick: per(at)}
}
