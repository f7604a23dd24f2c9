package board

import (
	"cmp"
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"coilward/collector/quantity"
	"coilward/detect"
)

// usualHotDay is the day asked about where nobody says another, °C.
const usualHotDay = 35

// Bounds of the day that may be asked about, °C.
const (
	mildestHotDay = 15
	hottestDay    = 60
)

// hotDayView is which machines could not hold on a hot day.
type hotDayView struct {
	Day, Unit, Field string // the day in the reader's unit; the form's field
	Number           string
	Lose             []hotDayLine // more likely not to hold than to
	May              []hotDayLine // at more than one in six
	Holds            string
	Unknown          []string // how many are not known, and why
}

type hotDayLine struct {
	ID, URL, Site, What, Limit, Chance, Rests, Share string
	chance                                           float64
}

func (b *Board) hotDayPage(r *http.Request) page {
	query := r.URL.Query()
	return page{title: "Hot day", class: "site", tab: "fleet", parts: []part{
		b.healthPart(),
		{id: "hotdayform", still: true, data: func(_ context.Context, r Reader) (any, error) { return r.hotDay(query), nil }},
		{id: "hotday", fallible: true, gap: 10 * time.Second, data: func(_ context.Context, r Reader) (any, error) { return b.hotDayData(r, query), nil }},
	}}
}

// askedDay reads the day from an address, °C: "c" in Celsius or "f" in
// Fahrenheit, so that a link means the same to every reader.
func askedDay(q url.Values) quantity.Celsius {
	day := math.NaN()
	if x, err := strconv.ParseFloat(q.Get("c"), 64); err == nil {
		day = x
	} else if x, err := strconv.ParseFloat(q.Get("f"), 64); err == nil {
		day = (x - 32) * 5 / 9
	}
	if !(day >= mildestHotDay && day <= hottestDay) {
		day = usualHotDay
	}
	return quantity.Celsius(day)
}

func (r Reader) hotDay(q url.Values) hotDayView {
	day := askedDay(q)
	out := hotDayView{Day: number(r.scale(day), 0) + nb + r.degree(), Unit: r.degree(), Field: "c", Number: number(r.scale(day), 0)}
	if r.Fahrenheit {
		out.Field = "f"
	}
	return out
}

// notHold is how probable it is that a machine could not hold on a day: its limit
// is known with a standard deviation.
func notHold(v *detect.View, day quantity.Celsius) float64 {
	sd := math.Max(float64(v.HotDaySD), 0.5)
	return 0.5 * math.Erfc((float64(v.HotDayLimit)-float64(day))/sd/math.Sqrt2)
}

// oneInSix is the chance below which a machine counts as holding: one standard
// deviation.
const oneInSix = 1.0 / 6

func (b *Board) hotDayData(r Reader, q url.Values) hotDayView {
	p, day := b.look(), askedDay(q)
	out := r.hotDay(q)
	holds, trouble, unheard := 0, 0, 0
	var why [4]int
	for _, s := range p.sites {
		for _, u := range s.machines {
			switch {
			case !u.heard:
				unheard++
				continue
			case u.trouble:
				trouble++
				continue
			case !u.view.HasHotDayLimit:
				why[u.view.HotDay]++
				continue
			}
			c := notHold(&u.view, day)
			if c < oneInSix {
				holds++
				continue
			}
			row := hotDayLine{ID: u.ID, URL: machineURL(u.ID), Site: s.label(), What: kindWords[u.Kind], chance: c,
				Limit: r.temperature(u.view.HotDayLimit) + " ± " + r.difference(u.view.HotDaySD), Chance: probability(c), Rests: u.view.HotDay.String()}
			if share := u.view.CapacityShare; !math.IsNaN(share) {
				row.Share = percent(share)
			}
			if c >= 0.5 {
				out.Lose = append(out.Lose, row)
			} else {
				out.May = append(out.May, row)
			}
		}
	}
	for _, list := range [][]hotDayLine{out.Lose, out.May} {
		slices.SortStableFunc(list, func(a, b hotDayLine) int { return -cmp.Compare(a.chance, b.chance) })
	}
	out.Holds = count(holds, "machine would hold", "machines would hold")
	for _, x := range []struct {
		n    int
		says string
	}{{why[detect.HotDayNotYet], "not known yet: it takes a day of whole cycles and a room that shows something"}, {why[detect.HotDayNoAmbient], "not known: the room is not measured"},
		{trouble, "in trouble already"}, {unheard, "not heard yet"}} {
		if x.n > 0 {
			out.Unknown = append(out.Unknown, count(x.n, "machine", "machines")+" "+x.says)
		}
	}
	return out
}

// hotDayFact is what the machine's page says of it.
func (r Reader) hotDayFact(v *detect.View) fact {
	if !v.HasHotDayLimit {
		if v.HotDay == detect.HotDayNotYet {
			return fact{"Hot-day limit", "not known yet", "it takes a day of whole cycles"}
		}
		return fact{"Hot-day limit", "not known", v.HotDay.String()}
	}
	return fact{"Hot-day limit", r.temperature(v.HotDayLimit) + " ± " + r.difference(v.HotDaySD),
		"in a warmer room it would run all the time and not hold; " + v.HotDay.String()}
}
