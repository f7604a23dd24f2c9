package detect_test

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// same compares findings in every field.
func same(t interface {
	Helper()
	Fatalf(string, ...any)
}, what string, got, want []detect.Finding) {
	t.Helper()
	for i := range min(len(got), len(want)) {
		if !reflect.DeepEqual(got[i], want[i]) {
			t.Fatalf("%s: finding %d is\n%+v\nwant\n%+v", what, i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%s: %d findings, want %d", what, len(got), len(want))
	}
}

// A finding is raised when the trouble comes, named, kept while it lasts, and
// cleared once after the repair; nothing is said of the good days.
func TestFindingLife(t *testing.T) {
	for seed := range uint64(4) {
		rs, from, to := story(seed)
		fs := play(newMachine(), rs)
		if len(fs) < 2 {
			t.Fatalf("seed %d: findings %v", seed, fs)
		}
		first, last := fs[0], fs[len(fs)-1]
		// A path that is shut and a fan that stands look alike to channels
		// that do not hold the fan's own current.
		if first.Change != detect.Raised || first.Fault != fault.CondenserBlocked && first.Fault != fault.CondenserFanStopped {
			t.Errorf("seed %d: first %v %v", seed, first.Change, first.Fault)
		}
		if first.At < from || first.At > from+3*hour {
			t.Errorf("seed %d: raised %.1f h after the condenser was blocked", seed, float64(first.At-from)/float64(hour))
		}
		if first.Since > first.RaisedAt || first.Since < from-2*hour {
			t.Errorf("seed %d: since %.1f h from the start of the trouble", seed, float64(first.Since-from)/float64(hour))
		}
		if last.Change != detect.Cleared || last.At < to+hour {
			t.Errorf("seed %d: last %v %.1f h after the repair; want it cleared, and not at once", seed, last.Change, float64(last.At-to)/float64(hour))
		}
		sick := 0.0
		for _, c := range first.Candidates {
			sick += c.Probability
		}
		if sick < library.RaiseAt-0.03 { // what is improbable is not listed
			t.Errorf("seed %d: raised at a probability of trouble of %.2f, not %.2f", seed, sick, library.RaiseAt)
		}
		for i, f := range fs {
			if f.ID != first.ID || f.Seq != i || f.RaisedAt != first.At || f.Machine != "cab-1" || f.Site != "site-1" {
				t.Errorf("seed %d: change %d is %s/%d of %s at %s, raised at %v", seed, i, f.ID, f.Seq, f.Machine, f.Site, f.RaisedAt)
			}
			if i > 0 && f.At <= fs[i-1].At {
				t.Errorf("seed %d: change %d is not later than the one before", seed, i)
			}
			wellFormed(t, &f)
		}
	}
}

// A trouble that goes away though nobody was there is not called over until the
// hours in which it might come back have passed.
func TestNothingHealsByItself(t *testing.T) {
	c := newCabinet(3)
	m := newMachine()
	play(m, c.live(2*day))
	c.condBlocked = true
	raised := play(m, c.live(8*hour))
	c.condBlocked = false
	if early := play(m, c.live(5*hour)); len(raised) == 0 || cleared(early) {
		t.Fatalf("raised %d; cleared within 5 h without a visit: %v", len(raised), cleared(early))
	}
	if !cleared(play(m, c.live(2*day))) {
		t.Error("two good days later it is still open")
	}
}

// Whoever unplugs a machine and fills it has repaired nothing, and nothing is called
// over because of it.
func TestFillingIsNoRepair(t *testing.T) {
	for name, has := range map[string]collector.ChannelSet{
		"all":     newCabinet(0).has,
		"current": 1<<collector.CabinetAir | 1<<collector.Ambient | 1<<collector.CompressorCurrent,
		"coil":    1<<collector.CabinetAir | 1<<collector.Ambient | 1<<collector.CoilOut | 1<<collector.CompressorCurrent,
	} {
		for seed := range uint64(3) {
			c := newCabinet(seed)
			c.has = has
			m := newMachine()
			play(m, c.live(3*day))
			c.condBlocked = true
			raised := play(m, c.live(10*hour))
			c.repair()
			c.condBlocked = true
			if after := play(m, c.live(20*hour)); len(raised) == 0 || cleared(after) {
				t.Errorf("%s, seed %d: %d changes before, cleared after %v", name, seed, len(raised), cleared(after))
			}
		}
	}
}

func cleared(fs []detect.Finding) bool {
	return slices.ContainsFunc(fs, func(f detect.Finding) bool { return f.Change == detect.Cleared })
}

// A trouble that comes again after it was cleared is another finding.
func TestSecondFindingHasItsOwnID(t *testing.T) {
	c := newCabinet(2)
	m := newMachine()
	play(m, c.live(2*day))
	var ids []string
	for range 2 {
		c.condBlocked = true
		fs := play(m, c.live(8*hour))
		c.repair()
		fs = append(fs, play(m, c.live(36*hour))...)
		if len(fs) < 2 || fs[0].Change != detect.Raised || fs[0].Seq != 0 || fs[len(fs)-1].Change != detect.Cleared {
			t.Fatalf("findings %+v", fs)
		}
		ids = append(ids, fs[0].ID)
	}
	if ids[0] == ids[1] {
		t.Errorf("two findings are both %s", ids[0])
	}
}

// wellFormed holds a finding against what its type promises.
func wellFormed(t *testing.T, f *detect.Finding) {
	t.Helper()
	sum := 0.0
	for i, c := range f.Candidates {
		sum += c.Probability
		if i > 0 && c.Probability > f.Candidates[i-1].Probability {
			t.Errorf("%s/%d: candidates out of order: %v", f.ID, f.Seq, f.Candidates)
		}
	}
	if len(f.Candidates) == 0 || f.Candidates[0].Fault != f.Fault || f.Candidates[0].Probability != f.Probability || sum > 1.005 {
		t.Errorf("%s/%d: %v %v leads %v", f.ID, f.Seq, f.Fault, f.Probability, f.Candidates)
	}
	if len(f.Evidence) < 2 || len(f.Evidence) > 5 || len(f.RuledOut) > 5 {
		t.Errorf("%s/%d: %d pieces of evidence, %d ruled out", f.ID, f.Seq, len(f.Evidence), len(f.RuledOut))
	}
	for i, e := range f.Evidence {
		if e.Text == "" || e.Weight <= 0 || e.Since > f.At || i > 0 && e.Weight > f.Evidence[i-1].Weight {
			t.Errorf("%s/%d: evidence %d: %+v", f.ID, f.Seq, i, e)
		}
	}
	if f.LimitAt != 0 && !(f.LimitEarly <= f.LimitAt && f.LimitAt <= f.LimitLate && f.LimitSide != detect.NoSide) {
		t.Errorf("%s/%d: limit early %v, middle %v, late %v on side %v", f.ID, f.Seq, f.LimitEarly, f.LimitAt, f.LimitLate, f.LimitSide)
	}
	if f.LimitAt == 0 && (f.LimitEarly != 0 || f.LimitLate != 0 || f.LimitSide != detect.NoSide) {
		t.Errorf("%s/%d: bounds of no limit", f.ID, f.Seq)
	}
}

// A good week says nothing.
func TestGoodLifeSaysNothing(t *testing.T) {
	for seed := range uint64(3) {
		m := newMachine()
		if fs := play(m, newCabinet(100+seed).live(7*day)); len(fs) > 0 {
			t.Errorf("seed %d: %+v", seed, fs[0])
		}
		v := m.View()
		if v.WellProbability < 0.95 || !v.Learned || math.Abs(float64(v.CutIn)-5) > 0.4 || math.Abs(float64(v.CutOut)-2) > 0.4 {
			t.Errorf("seed %d: well %.2f, band %.1f … %.1f °C", seed, v.WellProbability, v.CutOut, v.CutIn)
		}
	}
}

// The same readings said twice give the same findings with the same IDs, and
// nothing of one machine's life reaches another's.
func TestDeterministic(t *testing.T) {
	rs, _, _ := story(1)
	want := play(newMachine(), rs)
	play(newMachine(), newCabinet(9).live(day)) // another machine lives between
	same(t, "again", play(newMachine(), rs), want)
}

// A delivery of the story: cut into the parts that messages are, shuffled
// within the order window, some parts twice. Parts of one block come in at one
// pipeline time, so that also the dates of what is said can be compared.
func deliver(t *rapid.T, rs []collector.Reading) (released []collector.Reading) {
	const block = 4 // minutes, within the window of five
	order := collector.NewOrder(collector.OrderOptions{Window: 5 * time.Minute})
	o := order.Orderer()
	keep := func(r *collector.Reading) { released = append(released, *r) }
	shuffled := t != nil
	for i := 0; i < len(rs); i += block {
		b := rs[i:min(i+block, len(rs))]
		var parts []collector.Reading
		for _, r := range b {
			r.Received = b[len(b)-1].Received
			if !shuffled || i%40 != 0 { // cutting and repeating some blocks is enough
				parts = append(parts, r)
				continue
			}
			cut := collector.ChannelSet(rapid.Uint32Range(1, 1<<collector.NumChannels-1).Draw(t, "part"))
			p, q := r, r
			p.Has, q.Has = r.Has&cut, r.Has&^cut
			parts = append(parts, p, q)
			if rapid.Bool().Draw(t, "twice") {
				parts = append(parts, q)
			}
		}
		if shuffled && i%40 == 0 {
			parts = rapid.Permutation(parts).Draw(t, "arrival")
		} else if shuffled {
			slices.Reverse(parts)
		}
		for j := range parts {
			if parts[j].Has != 0 {
				o.Push(&parts[j], keep)
			}
		}
		o.Advance(b[len(b)-1].Received, keep)
	}
	o.Flush(keep)
	return released
}

var told, _, _ = story(1)

// A stream permuted within the order window, with parts repeated and instants
// split over messages, gives the same findings.
func TestPermutedRepeatedSplitGiveTheSame(t *testing.T) {
	want := play(newMachine(), deliver(nil, told))
	if len(want) < 2 {
		t.Fatal("nothing to compare")
	}
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		if n++; n > 12 { // each is half a thousand draws and four thousand steps
			return
		}
		same(t, "delivered otherwise", play(newMachine(), deliver(t, told)), want)
	})
}

// What the model has seen it drops: every reading twice, and old ones again
// long after, change nothing.
func TestOldReadingsChangeNothing(t *testing.T) {
	want := play(newMachine(), told)
	var rs []collector.Reading
	for i, r := range told {
		again := r
		rs = append(rs, r, again)
		if i >= 500 && i%7 == 0 {
			old := told[i-500]
			old.Received = r.Received
			rs = append(rs, old)
		}
	}
	same(t, "twice", play(newMachine(), rs), want)
}

// A restart from stored state, anywhere and as often as you like, goes on as
// if nothing had been.
func TestRestartAnywhereGivesTheSame(t *testing.T) {
	whole := newMachine()
	want := play(whole, told)
	wantState, err := whole.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		if n++; n > 20 {
			return
		}
		cuts := rapid.SliceOfN(rapid.IntRange(0, len(told)), 1, 8).Draw(t, "restarts")
		slices.Sort(cuts)
		m, from := newMachine(), 0
		var fs []detect.Finding
		for _, c := range append(cuts, len(told)) {
			fs = append(fs, play(m, told[from:c])...)
			from = c
			b, err := m.AppendBinary([]byte("before"))
			if err != nil {
				t.Fatal(err)
			}
			m = newMachine()
			if err := m.UnmarshalBinary(b[len("before"):]); err != nil {
				t.Fatal(err)
			}
		}
		same(t, fmt.Sprintf("restarts at %v", cuts), fs, want)
		if b, _ := m.AppendBinary(nil); !slices.Equal(b, wantState) {
			t.Fatal("the state after restarts is not the state without")
		}
	})
}

func TestStateOfAnotherLayoutIsRefused(t *testing.T) {
	m := newMachine()
	play(m, told[:2000])
	good, _ := m.AppendBinary(nil)
	other := slices.Clone(good)
	other[3] ^= 1
	for name, b := range map[string][]byte{
		"nothing": nil, "a few bytes": good[:5], "header only": good[:8], "cut short": good[:len(good)-1],
		"too long": append(slices.Clone(good), 0), "another layout": other,
	} {
		n := newMachine()
		if err := n.UnmarshalBinary(good); err != nil {
			t.Fatal(err)
		}
		if err := n.UnmarshalBinary(b); err != detect.ErrLayout {
			t.Errorf("%s: %v, want ErrLayout", name, err)
		}
		if now, _ := n.AppendBinary(nil); !slices.Equal(now, good) {
			t.Errorf("%s: the model was changed by what it refused", name)
		}
	}
}

// Ten thousand machines are kept in memory and on disk.
func TestStateIsSmall(t *testing.T) {
	b, _ := newMachine().AppendBinary(nil)
	t.Logf("state %d bytes, stored %d", detect.StateBytes, len(b))
	if detect.StateBytes > 4992 || len(b) != detect.StateBytes+8 {
		t.Errorf("state %d bytes, stored %d; want at most 4992 and 8 more", detect.StateBytes, len(b))
	}
}

func TestStepAllocatesNothingWhenNothingIsSaid(t *testing.T) {
	m := newMachine()
	said := 0
	emit := func(*detect.Finding) { said++ }
	rs := newCabinet(5).live(3 * day)
	for i := range rs[:2*1440] {
		m.Step(&rs[i], rs[i].Received, emit)
	}
	i := 2 * 1440
	// An average of 1000 readings, 250 looks among them.
	if n := testing.AllocsPerRun(1000, func() {
		m.Step(&rs[i], rs[i].Received, emit)
		m.Advance(rs[i].Received, emit)
		i++
	}); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
	if said != 0 {
		t.Errorf("%d findings in a good life", said)
	}
}

// What is seen of a machine on a screen.
func TestView(t *testing.T) {
	c := newCabinet(21)
	m := newMachine()
	if v := m.View(); v.Run != detect.RunUnknown || v.HasProduct || v.Learned || v.Has != 0 || !math.IsNaN(float64(v.CutIn)) || !math.IsNaN(v.RunFraction) {
		t.Errorf("before anything was heard: %+v", v)
	}
	first := c.next()
	m.Step(&first, first.Received, func(f *detect.Finding) { t.Errorf("said %v", f.Fault) })
	if v := m.View(); !math.IsNaN(v.RunFraction) {
		t.Errorf("one reading says that it ran %.0f %% of the time", 100*v.RunFraction)
	}
	ran := 0.0
	for range 2 * 1440 {
		r := c.next()
		m.Step(&r, r.Received, func(f *detect.Finding) { t.Errorf("said %v", f.Fault) })
		if c.on {
			ran++
		}
		if v := m.View(); c.since > 2 && v.Run != detect.Running == c.on && v.Run != detect.RunUnknown {
			t.Fatalf("at %v: %v, compressor on %v", c.at.Time(), v.Run, c.on)
		}
	}
	v := m.View()
	if v.At != c.at || v.LastHeard != c.at+300 || v.Has != c.has || v.Machine != "cab-1" || v.Site != "site-1" {
		t.Errorf("%+v", v)
	}
	if share := ran / (2 * 1440); math.Abs(v.RunFraction-share) > 0.12 {
		t.Errorf("runs %.2f of the time, said %.2f", share, v.RunFraction)
	}
	if d := float64(v.ProductTemperature) - c.product; !v.HasProduct || math.Abs(d) > 0.6 {
		t.Errorf("product %.2f °C, said %.2f", c.product, v.ProductTemperature)
	}
	p := m.Trace()
	if p.At != c.at || !(p.AirLow < p.AirHigh) || !(p.ProductLow <= p.Product && p.Product <= p.ProductHigh) {
		t.Errorf("%+v", p)
	}
}

// The open finding on the screen is the one last said.
func TestViewShowsOpenFindings(t *testing.T) {
	m := newMachine()
	var open []detect.Finding
	emit := func(f *detect.Finding) {
		open = open[:0]
		if f.Change != detect.Cleared {
			open = append(open, *f)
		}
	}
	seen := false
	for i := range told {
		m.Step(&told[i], told[i].Received, emit)
		v := m.View()
		if len(v.OpenFindings) != len(open) {
			t.Fatalf("reading %d: %d open on the screen, %d said", i, len(v.OpenFindings), len(open))
		}
		for j := range open {
			seen = true
			if g := v.OpenFindings[j]; g.ID != open[j].ID || g.Fault != open[j].Fault || g.Probability != open[j].Probability || g.LimitAt != open[j].LimitAt {
				t.Fatalf("reading %d: on the screen %+v, said %+v", i, g, open[j])
			}
		}
	}
	if !seen {
		t.Error("nothing was ever open")
	}
}

// A day of a machine that reports once a minute.
func BenchmarkDay(b *testing.B) {
	m := newMachine()
	rs := newCabinet(31).live(day)
	emit := func(*detect.Finding) {}
	b.ReportAllocs()
	for b.Loop() {
		for i := range rs {
			m.Step(&rs[i], rs[i].Received, emit)
			m.Advance(rs[i].Received, emit)
			rs[i].At += day
			rs[i].Received += day
		}
	}
	b.ReportMetric(float64(len(rs)), "readings/op")
}
