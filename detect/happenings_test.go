package detect_test

import (
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coilward/collector"
	"coilward/detect"
)

// A gap in the readings goes on the timeline with its length, and is no fault.
func TestLinkOutageIsOnTheTimeline(t *testing.T) {
	c, m := newCabinet(3), newMachine()
	play(m, c.live(day))
	if h := m.View().Happenings; len(h) != 0 {
		t.Fatalf("a quiet day brought %+v", h)
	}
	from := c.at
	c.at += 90 * 60000
	rest := c.live(2 * hour)
	play(m, rest)
	var found bool
	for _, h := range m.View().Happenings {
		if h.Kind != detect.LinkOutage {
			continue
		}
		found = true
		if h.From > from || h.From < from-10*60000 || h.To != rest[0].At || !strings.Contains(h.Text, "min") {
			t.Errorf("outage %+v, want it from about %d to %d", h, from, rest[0].At)
		}
	}
	if !found {
		t.Errorf("no outage among %+v", m.View().Happenings)
	}
}

// The timeline keeps the newest.
func TestTimelineIsBounded(t *testing.T) {
	c, m := newCabinet(4), newMachine()
	for range 12 {
		play(m, c.live(hour))
		c.at += 30 * 60000
	}
	h := m.View().Happenings
	if len(h) == 0 || len(h) > 10 {
		t.Fatalf("%d happenings", len(h))
	}
	for i := 1; i < len(h); i++ {
		if h[i].From < h[i-1].From {
			t.Errorf("happening %d began before the one before it", i)
		}
	}
}

// eventful is four days with what ordinary life brings.
func eventful() (rs []collector.Reading) {
	c := newCabinet(6)
	c.has = c.has.With(collector.Door)
	rs = c.live(2 * day)
	c.at += 40 * minute // nothing is heard, and all of it comes later
	for i, r := range c.live(2 * day) {
		if i < 30 {
			r.Received = c.at - 2*day + 45*minute
		}
		if i >= 900 && i < 904 {
			r.Value[collector.MainsVoltage] = 0
		}
		if i%1440 > 700 && i%1440 < 760 && i%3 == 0 {
			r.Value[collector.Door] = 1
		}
		rs = append(rs, r)
	}
	return rs
}

// A stream permuted within the order window, repeated and split gives the same
// timeline.
func TestTimelineOfAnotherDelivery(t *testing.T) {
	rs := eventful()
	lives := func(rs []collector.Reading) []detect.Happening {
		m := newMachine()
		play(m, rs)
		return m.View().Happenings
	}
	want := lives(deliver(nil, rs))
	kinds := map[detect.HappeningKind]bool{}
	for _, h := range want {
		kinds[h.Kind] = true
	}
	if !kinds[detect.DoorTraffic] || !kinds[detect.PowerBlip] || !kinds[detect.LinkOutage] {
		t.Fatalf("too little to compare: %+v", want)
	}
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		if n++; n > 5 {
			return
		}
		if got := lives(deliver(t, rs)); !reflect.DeepEqual(got, want) {
			t.Fatalf("delivered otherwise\n%+v\nwant\n%+v", got, want)
		}
	})
}
