package board

import (
	"net/url"
	"strings"
	"testing"

	"coilward/detect"
)

// The machines whose limit lies below the day come first, then those that may
// fail; what is not known is said, and why.
func TestHotDay(t *testing.T) {
	w := newWorld(t, 12, 6)
	set := func(id string, do func(v *detect.View)) { v := w.views[id]; do(&v); w.views[id] = v }
	for id := range w.views {
		set(id, func(v *detect.View) { v.HotDayLimit, v.HotDaySD = 48, 4 })
	}
	set("cab-0402", func(v *detect.View) { v.HotDayLimit = 31 })
	set("cab-0403", func(v *detect.View) { v.HotDayLimit, v.HotDay = 37, detect.HotDayByKind })
	set("cab-0404", func(v *detect.View) { v.HasHotDayLimit, v.HotDay = false, detect.HotDayNoAmbient })
	set("cab-0405", func(v *detect.View) { v.HasHotDayLimit, v.HotDay = false, detect.HotDayNotYet })
	b := w.board(t)
	out := b.hotDayData(Reader{}, url.Values{})
	if len(out.Lose) != 1 || out.Lose[0].ID != "cab-0402" || out.Lose[0].Chance != probability(0.8413) {
		t.Errorf("could not hold: %+v", out.Lose) // one standard deviation: 84.13 %
	}
	if len(out.May) != 1 || out.May[0].ID != "cab-0403" || out.May[0].Rests != "mostly by its kind" {
		t.Errorf("may not hold: %+v", out.May)
	}
	if out.Holds != "8 machines would hold" || len(out.Unknown) != 2 {
		t.Errorf("%q, %q", out.Holds, out.Unknown)
	}
	if out := b.hotDayData(Reader{}, url.Values{"c": {"30"}}); len(out.Lose) != 0 || len(out.May) != 1 {
		t.Errorf("at 30 °C: %d and %d", len(out.Lose), len(out.May))
	}
	page := get(t, b, "/hot-day?f=95", "Cookie", american).Body.String()
	for _, want := range []string{"On a day of 95", "Could not hold", "cab-0402", "87.8", "the room is not measured", `name="f"`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q on the page", want)
		}
	}
}

func TestAskedDay(t *testing.T) {
	for query, want := range map[string]float64{"": 35, "c=40": 40, "f=104": 40, "c=1000": 35, "c=NaN": 35, "f=x": 35, "c=-5": 35} {
		q, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(askedDay(q)); got != want {
			t.Errorf("%q: %v, want %v", query, got, want)
		}
	}
}

// The machine's page says how sure the limit is, or why it is not known.
func TestHotDayOfAMachine(t *testing.T) {
	for _, c := range []struct {
		v    detect.View
		want string
		from string
	}{
		{detect.View{HasHotDayLimit: true, HotDayLimit: 41, HotDaySD: 3, HotDay: detect.HotDayOwn}, "41.0 °C ± 3.0 K", "in a warmer room it would run all the time and not hold; by its own days"},
		{detect.View{HotDay: detect.HotDayNotYet}, "not known yet", "it takes a day of whole cycles"},
		{detect.View{HotDay: detect.HotDayNoAmbient}, "not known", "its room is not measured"},
	} {
		f := Reader{}.hotDayFact(&c.v)
		if strings.ReplaceAll(f.Value, nb, " ") != c.want || f.From != c.from {
			t.Errorf("%+v, want %s, %s", f, c.want, c.from)
		}
	}
}
