package collector

import (
	"testing"

	"pgregory.net/rapid"
)

// life is a machine that measures every interval and whose clock is off.
type life struct {
	a        *Admission
	now      Millis // true time
	interval Millis
	sent     int
	refused  int
	worst    Millis // greatest error of an admitted time
	lastErr  Millis // error of the latest admitted time
}

// live sends n readings, each delayed as delay says, by a clock that is ahead.
func (l *life) live(n int, ahead func(now Millis) Millis, delay func(i int) Millis) {
	for i := range n {
		l.now += l.interval
		l.send(air(l.now+ahead(l.now), l.now+delay(i)), l.now)
	}
}

func (l *life) send(r Reading, truth Millis) {
	got, why := one(l.a, r)
	l.sent++
	if why != NoReason && !why.Repaired() {
		l.refused++
		return
	}
	l.lastErr = got.At - truth
	l.worst = max(l.worst, l.lastErr, -l.lastErr)
}

func by(ahead Millis) func(Millis) Millis { return func(Millis) Millis { return ahead } }
func none(int) Millis                     { return 0 }
func jitter(i int) Millis                 { return Millis(i*i%7) * 900 }

func TestClockAheadIsFoundWithinThreeMessages(t *testing.T) {
	for _, interval := range []Millis{10 * second, minute, 5 * minute} {
		for _, ahead := range []Millis{6 * minute, 4 * hour, 400 * day} {
			l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: interval}
			l.live(100, by(ahead), jitter)
			if l.refused > 3 || l.worst > 10*second {
				t.Errorf("every %v, %v ahead: %d refused, times off by up to %v", interval.Sub(0), ahead.Sub(0), l.refused, l.worst.Sub(0))
			}
		}
	}
}

func TestClockNeverSetIsFoundWithinThreeMessages(t *testing.T) {
	for _, start := range []Millis{0, 946_684_800_000} { // 1970, 2000
		l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
		l.live(60, by(start-t0), jitter)
		if l.refused > 3 || l.worst > 10*second {
			t.Errorf("clock from %v: %d refused, times off by up to %v", start.Time(), l.refused, l.worst.Sub(0))
		}
		// It syncs: right from the first message, and the correction goes.
		l.worst, l.refused = 0, 0
		l.live(60, by(0), jitter)
		c, _ := l.a.Clock("cab-0417")
		if l.refused != 0 || l.worst > 10*second || c.Correction != 0 || c.Changes != 2 {
			t.Errorf("after it synced: %d refused, off by up to %v, clock %+v", l.refused, l.worst.Sub(0), c)
		}
	}
}

func TestClockBehindByAZoneIsFound(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(30, by(-4*hour), jitter)
	if l.refused != 0 || within(l.lastErr, 10*second) == false {
		t.Errorf("%d refused; after half an hour times are off by %v", l.refused, l.lastErr.Sub(0))
	}
	// Daylight saving ends: another hour behind. It speaks of the past only.
	l.live(10, by(-5*hour), jitter)
	if !within(l.lastErr, 10*second) {
		t.Errorf("after the clock stepped back an hour times are off by %v", l.lastErr.Sub(0))
	}
	l.live(10, by(-4*hour), jitter)
	if !within(l.lastErr, 10*second) {
		t.Errorf("after the clock stepped forward an hour times are off by %v", l.lastErr.Sub(0))
	}
}

func TestClockBehindByAnythingIsFound(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(90, by(-37*minute-12*second), jitter)
	if l.refused != 0 || !within(l.lastErr, 10*second) {
		t.Errorf("%d refused; after 90 min times are off by %v", l.refused, l.lastErr.Sub(0))
	}
}

func TestSecondsSinceStartAreTakenOnArrival(t *testing.T) {
	// The decoder reads them as relative to now: now + uptime.
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(200, func(now Millis) Millis { return now - t0 }, none)
	c, _ := l.a.Clock("cab-0417")
	if l.refused > 5 || l.lastErr != 0 || !c.OnArrival {
		t.Errorf("%d refused, off by %v, clock %+v", l.refused, l.lastErr.Sub(0), c)
	}
	l.worst, l.refused = 0, 0
	l.live(60, by(0), none)
	if c, _ := l.a.Clock("cab-0417"); l.refused != 0 || l.worst != 0 || c.OnArrival || c.Correction != 0 {
		t.Errorf("after it synced: %d refused, off by %v, clock %+v", l.refused, l.worst.Sub(0), c)
	}
}

func TestClockAheadThatSyncsIsBelievedAtOnce(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(60, by(4*hour), jitter)
	l.worst, l.refused = 0, 0
	l.live(60, by(0), jitter)
	if c, _ := l.a.Clock("cab-0417"); l.refused != 0 || l.worst > 10*second || c.Correction != 0 {
		t.Errorf("%d refused, times off by up to %v, clock %+v", l.refused, l.worst.Sub(0), c)
	}
}

// A delay that stays the same for some minutes is not enough for a clock.
func TestShortConstantLatenessMovesNoClock(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(40, by(0), func(int) Millis { return 22 * minute })
	if c, _ := l.a.Clock("cab-0417"); c.Changes != 0 || l.worst != 0 {
		t.Errorf("times moved by up to %v, clock %+v", l.worst.Sub(0), c)
	}
}

// Lateness is not a clock error, whatever its pattern.
func TestLatenessMovesNoClock(t *testing.T) {
	for name, delays := range map[string]func(i int) Millis{
		"one burst after six hours":   func(i int) Millis { return Millis(max(0, 360-i)) * (minute - 50) },
		"ten times as fast":           func(i int) Millis { return max(0, 6*hour-Millis(i)*54*second) },
		"twice as fast":               func(i int) Millis { return max(0, 6*hour-Millis(i)*30*second) },
		"every hour what gathered":    func(i int) Millis { return Millis(59-i%60) * minute },
		"every quarter what gathered": func(i int) Millis { return Millis(14-i%15) * minute },
		"tails of minutes":            func(i int) Millis { return Millis(i*i*i%11) * 40 * second },
	} {
		l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
		l.live(800, by(0), delays)
		if c, _ := l.a.Clock("cab-0417"); l.refused != 0 || l.worst != 0 || c.Changes != 0 {
			t.Errorf("%s: %d refused, times moved by up to %v, clock %+v", name, l.refused, l.worst.Sub(0), c)
		}
	}
}

// A machine known to be ahead that delivers an outage's readings gets the true
// times for all of them, though some look right as they are.
func TestBackfillUnderAKnownClock(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(60, by(4*hour), none)
	l.worst, l.refused = 0, 0
	from := l.now
	for i := range Millis(360) {
		l.now += minute
		l.send(air(l.now+4*hour, from+360*minute+i*50), l.now)
	}
	l.live(60, by(4*hour), none)
	if l.refused != 0 || l.worst > second {
		t.Errorf("%d refused, times off by up to %v", l.refused, l.worst.Sub(0))
	}
}

func TestOneWildTimeMovesNothing(t *testing.T) {
	l := life{a: NewAdmission(AdmitOptions{}), now: t0, interval: minute}
	l.live(50, func(now Millis) Millis {
		if (now-t0)%(5*minute) == 0 {
			return 3650 * day * (1 + (now-t0)/minute%3)
		}
		return 0
	}, jitter)
	if c, _ := l.a.Clock("cab-0417"); l.refused != 10 || l.worst > 0 || c.Changes != 0 {
		t.Errorf("%d refused, want 10; off by up to %v; clock %+v", l.refused, l.worst.Sub(0), c)
	}
}

// The same stream gives the same verdicts, and restored from what was stored
// admission goes on as if it had not stopped.
func TestAdmissionIsRebuilt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ahead := Millis(rapid.SampledFrom([]int{0, 0, 15, 240, -300}).Draw(t, "ahead, min")) * minute
		a, twin := NewAdmission(AdmitOptions{}), NewAdmission(AdmitOptions{})
		var stored []Reading
		now := t0
		for i := range 120 {
			now += minute
			r := air(now+ahead, now)
			got, why := one(a, r)
			if twinGot, twinWhy := one(twin, r); twinWhy != why || twinGot.At != got.At {
				t.Fatalf("message %d: %v at %v, its twin %v at %v", i, why, got.At, twinWhy, twinGot.At)
			}
			if why == NoReason || why.Repaired() {
				stored = append(stored, got)
			}
		}
		restored := NewAdmission(AdmitOptions{})
		for i := range stored[max(0, len(stored)-20):] {
			restored.Restore(&stored[max(0, len(stored)-20)+i])
		}
		for i := range 30 {
			now += Millis(rapid.IntRange(0, 60).Draw(t, "gap")) * second
			back := Millis(rapid.IntRange(0, 10).Draw(t, "back")) * minute
			r := air(now+ahead-back, now)
			got, why := one(a, r)
			again, whyAgain := one(restored, r)
			if why != whyAgain || got.At != again.At {
				t.Fatalf("message %d after the restart: %v at %v, without it %v at %v", i, whyAgain, again.At, why, got.At)
			}
		}
	})
}
