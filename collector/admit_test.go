package collector

import (
	"fmt"
	"slices"
	"testing"
	"time"
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
