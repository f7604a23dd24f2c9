package detect_test

import (
	"strings"
	"testing"

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
