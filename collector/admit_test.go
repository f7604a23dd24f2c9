package collector

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const (
	second = Millis(1_000)
	minute = 60 * second
	hour   = 60 * minute
	day    = 24 * hour
	t0     = Millis(1_782_864_000_000) // 2026-07-01
)

// one admits a single reading and returns it with the verdict.
func one(a *Admission, r Reading) (Reading, Reason) {
	var why Reason
	message := []Reading{r}
	a.Admit(message, func(_ *Reading, w Reason) { why = w })
	return message[0], why
}

func air(at, received Millis) Reading {
	r := Reading{Machine: "cab-0417", Site: "oakmill", At: at, Received: received}
	r.Has = r.Has.With(CabinetAir)
	r.Value[CabinetAir] = 3.4
	return r
}

func TestAdmitBySingleReading(t *testing.T) {
	for _, c := range []struct {
		lateness Millis
		want     Reason
	}{
		{0, NoReason},
		{-5 * minute, NoReason},
		{-5*minute - 1, FromFuture},
		{8 * hour, NoReason},
		{30 * day, NoReason},
		{30*day + 1, TooOld},
		{26 * 365 * day, TooOld},
	} {
		a := NewAdmission(AdmitOptions{})
		if _, why := one(a, air(t0-c.lateness, t0)); why != c.want {
			t.Errorf("a reading %v late: %v, want %v", c.lateness.Sub(0), why, c.want)
		}
		if a.Counts()[c.want] != 1 {
			t.Errorf("%v counted %d times, want 1", c.want, a.Counts()[c.want])
		}
	}
}

func TestAdmitDuplicates(t *testing.T) {
	a := NewAdmission(AdmitOptions{})
	first := air(t0, t0)
	if _, why := one(a, first); why != NoReason {
		t.Fatalf("first: %v", why)
	}
	again := first
	again.Received += 40 * second
	if _, why := one(a, again); why != Duplicate {
		t.Errorf("the same again: %v, want duplicate", why)
	}
	more := again
	more.Has = more.Has.With(CoilOut)
	more.Value[CabinetAir], more.Value[CoilOut] = 99, -7.9
	got, why := one(a, more)
	if why != NoReason || got.Has != ChannelSet(0).With(CoilOut) || a.Stripped() != 1 {
		t.Errorf("one channel more: %v with %b, %d stripped; want its new channel alone", why, got.Has, a.Stripped())
	}
	if _, why := one(a, more); why != Duplicate {
		t.Errorf("both again: %v, want duplicate", why)
	}
	extra := Reading{Machine: "cab-0417", At: t0, Received: t0, Extra: []Extra{{Name: "lamp"}}}
	if _, why := one(a, extra); why != NoReason {
		t.Errorf("an extra channel of the same instant: %v, want none", why)
	}
	if _, why := one(a, extra); why != Duplicate {
		t.Errorf("the extra channel again: %v, want duplicate", why)
	}
	other := first
	other.Machine = "cab-0418"
	if _, why := one(a, other); why != NoReason {
		t.Errorf("another machine at the same instant: %v, want none", why)
	}
}

// A day of backfill that comes twice within minutes is known the second time.
func TestAdmitBackfillTwice(t *testing.T) {
	a := NewAdmission(AdmitOptions{})
	backfill := func(received Millis) (message []Reading) {
		for i := range Millis(1440) {
			message = append(message, air(received-received%day-day+i*minute, received))
		}
		return message
	}
	count := make(map[Reason]int)
	tally := func(_ *Reading, why Reason) { count[why]++ }
	a.Admit(backfill(t0+hour), tally)
	a.Admit(backfill(t0+hour+10*minute), tally)
	if count[NoReason] != 1440 || count[Duplicate] != 1440 {
		t.Errorf("verdicts %v, want 1440 of none and 1440 duplicate", count)
	}
	// The memory of it is given back once it is old.
	for i := range Millis(3000) {
		now := t0 + day + i*minute
		one(a, air(now, now))
	}
	if n := len(a.machines["cab-0417"].recent.ring); n > 32 {
		t.Errorf("remembers %d instants in steady life, want at most 32", n)
	}
}

func TestAdmitStatus(t *testing.T) {
	a := NewAdmission(AdmitOptions{})
	s := Reading{Machine: "cab-0417", At: t0, Received: t0, Status: Offline}
	for range 2 {
		if _, why := one(a, s); why != NoReason {
			t.Errorf("status: %v, want none", why)
		}
	}
}

func TestAdmitUnlistedAreBounded(t *testing.T) {
	a := NewAdmission(AdmitOptions{Unlisted: 3, Listed: func(id string) bool { return id == "listed" }})
	admit := func(id string, now Millis) Reason {
		r := air(now, now)
		r.Machine = id
		_, why := one(a, r)
		return why
	}
	for i := range 3 {
		if why := admit(fmt.Sprint("stranger-", i), t0); why != NoReason {
			t.Errorf("stranger %d: %v", i, why)
		}
	}
	if why := admit("stranger-3", t0); why != TooManyMachines {
		t.Errorf("fourth stranger: %v, want too_many_machines", why)
	}
	if why := admit("listed", t0); why != NoReason {
		t.Errorf("a listed machine: %v, want none", why)
	}
	if why := admit("stranger-1", t0+minute); why != NoReason {
		t.Errorf("a known stranger: %v, want none", why)
	}
	if why := admit("stranger-3", t0+30*day+30*second); why != NoReason {
		t.Errorf("a stranger after the others fell silent: %v, want none", why)
	}
	if all, unlisted := a.Machines(); all != 3 || unlisted != 2 {
		t.Errorf("%d machines, %d unlisted; want 3 and 2", all, unlisted)
	}
}

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

func TestAdmitAllocatesNothing(t *testing.T) {
	a := NewAdmission(AdmitOptions{})
	message := []Reading{air(t0, t0)}
	nop := func(*Reading, Reason) {}
	if n := testing.AllocsPerRun(1000, func() {
		message[0].Received += minute
		message[0].At = message[0].Received
		a.Admit(message, nop)
	}); n != 0 {
		t.Errorf("%v allocations a message, want 0", n)
	}
}

func TestReasonsHaveNames(t *testing.T) {
	var names []string
	for r := range Reason(NumReasons) {
		if r.String() == "" || slices.Contains(names, r.String()) {
			t.Errorf("reason %d is called %q", r, r)
		}
		names = append(names, r.String())
	}
}

func BenchmarkAdmit(b *testing.B) {
	a := NewAdmission(AdmitOptions{})
	messages := make([][]Reading, 10_000)
	for i := range messages {
		messages[i] = []Reading{air(t0, t0)}
		messages[i][0].Machine = fmt.Sprintf("cab-%05d", i)
	}
	now := t0
	nop := func(*Reading, Reason) {}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if i++; i == len(messages) {
			i = 0
			now += minute
		}
		m := messages[i]
		m[0].At, m[0].Received = now, now
		a.Admit(m, nop)
	}
	b.ReportMetric(float64(time.Second)/float64(b.Elapsed()/time.Duration(b.N)), "messages/s")
}
