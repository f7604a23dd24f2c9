package detect_test

import (
	"strings"
	"testing"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// wait lets pipeline time pass in minutes.
func wait(m *detect.Machine, now *collector.Millis, n collector.Millis) (fs []detect.Finding) {
	for range n / minute {
		*now += minute
		m.Advance(*now, func(f *detect.Finding) { fs = append(fs, *f) })
	}
	return fs
}

func status(s collector.Status, at collector.Millis) *collector.Reading {
	return &collector.Reading{Machine: "cab-1", Site: "site-1", Status: s, Received: at, At: at}
}

func TestSilence(t *testing.T) {
	c := newCabinet(3)
	m := newMachine()
	if fs := wait(m, new(collector.Millis), 10*day); len(fs) > 0 {
		t.Fatalf("a machine nobody has heard of is silent: %v", fs[0].Fault)
	}
	if fs := play(m, c.live(6*hour)); len(fs) > 0 {
		t.Fatalf("said %v", fs[0].Fault)
	}
	last := c.at + 300
	now := last
	fs := wait(m, &now, 24*hour)
	if len(fs) < 2 || len(fs) > 4 {
		t.Fatalf("%d changes in a day of silence, want it said and, the longer it lasts, said again", len(fs))
	}
	for i, g := range fs {
		if g.ID != fs[0].ID || g.Seq != i || i > 0 && (g.Change != detect.Revised || g.Since != last || g.At < fs[i-1].At+hour) {
			t.Errorf("change %d: %s/%d %v at %v", i, g.ID, g.Seq, g.Change, g.At)
		}
	}
	said := len(fs)
	f := fs[0]
	if f.Change != detect.Raised || f.Fault != fault.Silent || f.Seq != 0 || f.Since != last {
		t.Errorf("%v %v/%d since %v, want since %v", f.Change, f.Fault, f.Seq, f.Since, last)
	}
	if wait := f.At - last; wait < 20*minute || wait > 46*minute {
		t.Errorf("said after %v", wait)
	}
	if len(f.Candidates) != 2 || f.Candidates[1].Fault != fault.PowerLost {
		t.Errorf("candidates %v; a dead link and a dead machine look alike", f.Candidates)
	}
	if text := f.Evidence[0].Text; !strings.Contains(text, "every 60 s") || !strings.Contains(text, last.Time().Format("15:04")) {
		t.Errorf("evidence %q", text)
	}
	wellFormed(t, &f)

	// It comes back: not cleared by the first word, and once.
	c.at = now - 2*minute
	back := c.at
	fs = play(m, c.live(2*hour))
	if len(fs) != 1 || fs[0].Change != detect.Cleared || fs[0].ID != f.ID || fs[0].Seq != said {
		t.Fatalf("after it came back: %+v", fs)
	}
	if d := fs[0].At - back; d < 15*minute || d > 45*minute {
		t.Errorf("cleared %v min after it came back", d/minute)
	}

	// The next silence is another finding.
	now = c.at + 300
	if fs = wait(m, &now, hour); len(fs) != 1 || fs[0].ID == f.ID || fs[0].Change != detect.Raised {
		t.Errorf("the second silence: %+v", fs)
	}
}

// A word now and then does not end a silence.
func TestSilenceDoesNotFlap(t *testing.T) {
	c := newCabinet(4)
	m := newMachine()
	play(m, c.live(6*hour))
	now := c.at + 300
	fs := wait(m, &now, hour)
	for range 12 { // one reading every forty minutes
		c.at = now - 300
		r := c.next()
		r.Received = now
		m.Step(&r, now, func(f *detect.Finding) { fs = append(fs, *f) })
		fs = append(fs, wait(m, &now, 40*minute)...)
	}
	if len(fs) == 0 || fs[0].Change != detect.Raised {
		t.Fatalf("said %v", fs)
	}
	for _, f := range fs[1:] {
		if f.Change != detect.Revised || f.ID != fs[0].ID {
			t.Errorf("%v %s of a link that comes and goes, after %s", f.Change, f.ID, fs[0].ID)
		}
	}
}

// A machine that sends its readings together every few minutes speaks again when it
// does so again.
func TestSilenceOfOneThatGathersReadings(t *testing.T) {
	for _, every := range []int{7, 20, 50} {
		c := newCabinet(5)
		m := newMachine()
		now := c.at
		live := func(n collector.Millis) (fs []detect.Finding) {
			for until := now + n; now < until; {
				rs := c.live(collector.Millis(every) * minute)
				fs = append(fs, wait(m, &now, (rs[len(rs)-1].Received-now)/minute*minute)...)
				for i := range rs {
					rs[i].Received = now
					m.Step(&rs[i], now, func(f *detect.Finding) { fs = append(fs, *f) })
				}
			}
			return fs
		}
		if fs := live(day); len(fs) > 0 {
			t.Errorf("every %d min: said %v of a machine that speaks", every, fs[0].Fault)
		}
		fs := wait(m, &now, 4*hour)
		if len(fs) == 0 || fs[0].Fault != fault.Silent {
			t.Fatalf("every %d min: said %v of four hours of nothing", every, fs)
		}
		c.at = now
		back := now
		fs = live(5 * hour)
		for _, f := range fs[:max(len(fs)-1, 0)] { // it gathers first, and is silent until then
			if f.Change != detect.Revised || f.At > back+hour {
				t.Errorf("every %d min: %v after %d min of speaking again", every, f.Change, (f.At-back)/minute)
			}
		}
		if len(fs) == 0 || fs[len(fs)-1].Change != detect.Cleared {
			t.Fatalf("every %d min: said %v after it speaks again", every, fs)
		}
		if d := fs[len(fs)-1].At - back; d > 3*hour {
			t.Errorf("every %d min: cleared after %d min", every, d/minute)
		}
	}
}

// A slow reporter is not silent between two of its readings.
func TestSlowReporterIsNotSilent(t *testing.T) {
	c := newCabinet(5)
	m := newMachine()
	now := c.at
	for range 48 {
		var r collector.Reading
		for range 10 { // it speaks every ten minutes
			r = c.next()
		}
		now = r.Received
		m.Step(&r, now, func(f *detect.Finding) {})
	}
	if fs := wait(m, &now, 70*minute); len(fs) > 0 {
		t.Errorf("%v said after %v min, seven of its intervals", fs[0].Fault, (fs[0].At-fs[0].Since)/minute)
	}
	if fs := wait(m, &now, 60*minute); len(fs) != 1 {
		t.Errorf("%d findings after two hours of nothing", len(fs))
	}
}

// The broker's word that the link broke is told, and is believed sooner than
// mere quiet; it is the broker's, not the machine's, so it is no sign of life.
func TestLastWill(t *testing.T) {
	until := func(will bool) (d collector.Millis, f detect.Finding) {
		c := newCabinet(6)
		s := spec()
		s.Limits.Warm = 5 // it cannot be waited out
		m := detect.NewMachine(s, library)
		play(m, c.live(6*hour))
		last := c.at + 300
		now := last
		if will {
			now += 2 * minute
			m.Step(status(collector.Offline, now), now, func(*detect.Finding) {})
		}
		if got := m.View().LinkLost; got != will {
			t.Errorf("will %v: the link is shown as lost: %v", will, got)
		}
		fs := wait(m, &now, hour)
		if len(fs) != 1 {
			t.Fatalf("will %v: %d findings", will, len(fs))
		}
		if fs[0].Since != last {
			t.Errorf("will %v: since %v, last heard %v", will, fs[0].Since, last)
		}
		return fs[0].At - last, fs[0]
	}
	quiet, _ := until(false)
	will, f := until(true)
	if will >= quiet {
		t.Errorf("said after %v min with a last will, %v min without", will/minute, quiet/minute)
	}
	told := false
	for _, e := range f.Evidence {
		told = told || strings.Contains(e.Text, "last will")
	}
	if !told {
		t.Errorf("evidence %v", f.Evidence)
	}
}

// A link that breaks and is there again at once is nothing.
func TestLastWillAndBackAgain(t *testing.T) {
	c := newCabinet(7)
	m := newMachine()
	play(m, c.live(6*hour))
	for i := range 10 {
		now := c.at + 1000
		m.Step(status(collector.Offline, now), now, func(f *detect.Finding) { t.Errorf("said %v", f.Fault) })
		if i%2 == 0 { // not every machine greets; a reading says as much
			m.Step(status(collector.Online, now+500), now+500, func(f *detect.Finding) { t.Errorf("said %v", f.Fault) })
		}
		if fs := play(m, c.live(15*minute)); len(fs) > 0 {
			t.Errorf("said %v", fs[0].Fault)
		}
	}
	now := c.at + 300
	fs := wait(m, &now, hour)
	if len(fs) != 1 {
		t.Fatalf("%d findings of an hour of silence", len(fs))
	}
	for _, e := range fs[0].Evidence {
		if strings.Contains(e.Text, "last will") {
			t.Errorf("%q, but the link has been there again since", e.Text)
		}
	}
}

// Last words of a lost supply make the silence a power cut, with a forecast.
func TestSilenceAfterLostSupply(t *testing.T) {
	c := newCabinet(8)
	m := newMachine()
	play(m, c.live(2*day))
	c.powerLost = true
	play(m, c.live(4*minute)) // a controller's own buffer lasts for minutes
	now := c.at + 300
	fs := wait(m, &now, hour)
	if len(fs) != 1 || fs[0].Fault != fault.PowerLost {
		t.Fatalf("said %+v", fs)
	}
	f := fs[0]
	if f.LimitAt == 0 || f.LimitSide != detect.Warm || !f.HasProduct {
		t.Errorf("limit %v on side %v; a load without power warms", f.LimitAt, f.LimitSide)
	}
	wellFormed(t, &f)
	if !strings.Contains(f.Evidence[0].Text, "no sign of mains supply") {
		t.Errorf("evidence %v", f.Evidence)
	}
}

// Where nobody listened nobody was silent; what stays silent afterwards is.
func TestNobodyListened(t *testing.T) {
	c := newCabinet(9)
	m := newMachine()
	play(m, c.live(6*hour))
	last := c.at + 300
	since := last + 5*hour // the pipeline was away for so long
	for now := since; now < since+20*minute; now += minute {
		m.Resume(since, now, func(f *detect.Finding) { t.Errorf("%v said %v min after the return", f.Fault, (now-since)/minute) })
	}
	n := 0
	for now := since + 20*minute; now < since+90*minute; now += minute {
		m.Resume(since, now, func(f *detect.Finding) {
			n++
			if f.Since != last {
				t.Errorf("silent since %v, last heard %v", f.Since, last)
			}
		})
	}
	if n != 1 {
		t.Errorf("%d findings of a machine that stays silent, want one", n)
	}
}

// Of a machine that was heard once nobody knows how often it reports, and nobody is
// told.
func TestSilenceAfterOneReading(t *testing.T) {
	m := newMachine()
	c := newCabinet(3)
	r := c.live(minute)[0]
	now := r.Received
	fs := play(m, []collector.Reading{r})
	fs = append(fs, wait(m, &now, day)...)
	if len(fs) == 0 || fs[0].Fault != fault.Silent {
		t.Fatalf("said %v of a machine that was heard once", fs)
	}
	if text := fs[0].Evidence[0].Text; strings.Contains(text, "used to report") || !strings.Contains(text, "nothing heard since") {
		t.Errorf("evidence %q", text)
	}
}

// Most silences are a cleaning or a router: where the product holds for long they are
// waited out for longer, where it does not, or its supply was seen to go, they are not.
func TestSilenceIsWaitedOutWhereTheProductHolds(t *testing.T) {
	said := func(warm float64, dead bool) collector.Millis {
		c := newCabinet(8)
		s := spec()
		s.Limits.Warm = quantity.Celsius(warm)
		m := detect.NewMachine(s, library)
		play(m, c.live(12*hour))
		last := c.at
		if dead {
			c.powerLost = true
			play(m, c.live(2*minute))
			last = c.at
		}
		now := last + 300
		fs := wait(m, &now, 2*hour)
		if len(fs) == 0 || fs[0].Change != detect.Raised {
			t.Fatalf("limit %v °C: said %v of two hours of nothing", warm, fs)
		}
		return fs[0].At - last
	}
	soon, late, gone := said(5, false), said(18, false), said(18, true)
	t.Logf("said after %d min, %d where it holds for long, %d where its supply went", soon/minute, late/minute, gone/minute)
	if soon > 30*minute {
		t.Errorf("said after %d min of a product that is soon warm", soon/minute)
	}
	if late < soon+10*minute || late > 46*minute {
		t.Errorf("said after %d min of one that holds, %d of one that does not", late/minute, soon/minute)
	}
	if gone > 30*minute {
		t.Errorf("said after %d min though the last words were of a lost supply", gone/minute)
	}
}

// A machine in trouble is not waited for: whoever is on the way must know that nobody
// watches it any more.
func TestSilenceOfAMachineInTroubleIsSaidAtOnce(t *testing.T) {
	c := newCabinet(9)
	s := spec()
	s.Limits.Warm = 18
	m := detect.NewMachine(s, library)
	play(m, c.live(2*day))
	c.condBlocked = true
	play(m, c.live(8*hour))
	if open := m.View().OpenFindings; len(open) != 1 {
		t.Fatalf("%d findings of a blocked condenser", len(open))
	}
	last := c.at + 300
	now := last
	fs := wait(m, &now, hour)
	if len(fs) == 0 || fs[0].Fault != fault.Silent || fs[0].At-last > 30*minute {
		t.Fatalf("an hour of silence: %+v", fs)
	}
}
