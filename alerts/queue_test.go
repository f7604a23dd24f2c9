package alerts

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// town is a fleet of sites with n machines each.
func town(sites, n int) *fleet.Fleet {
	f := &fleet.Fleet{}
	for i := range sites {
		s := &fleet.Site{ID: fmt.Sprintf("s%d", i)}
		for j := range n {
			s.Machines = append(s.Machines, &fleet.Machine{ID: fmt.Sprintf("s%d-m%d", i, j), Site: s.ID, LoadValue: 450})
		}
		f.Sites = append(f.Sites, s)
	}
	return f
}

// story makes findings of invented machines.
type story struct {
	n int
}

func (s *story) raise(at collector.Millis, site, machine string, f fault.Fault, p float64, left time.Duration) detect.Finding {
	s.n++
	x := detect.Finding{ID: fmt.Sprintf("F-%06d", s.n), Machine: machine, Site: site, Change: detect.Raised, At: at, RaisedAt: at, Since: at,
		Fault: f, Probability: p, Candidates: []detect.Candidate{{Fault: f, Probability: p}}}
	if left != 0 {
		x.LimitAt, x.LimitSide = at.Add(left), detect.Warm
		x.LimitEarly, x.LimitLate = at.Add(left*8/10), at.Add(left*13/10)
	}
	return x
}

func next(f detect.Finding, at collector.Millis, c detect.Change) detect.Finding {
	f.Seq++
	f.At, f.Change = at, c
	return f
}

func mins(m int) collector.Millis { return t0.Add(time.Duration(m) * time.Minute) }

type tape struct{ changes []Change }

func (t *tape) add(c []Change) { t.changes = append(t.changes, c...) }
func (t *tape) count(k ChangeKind) (n int) {
	for _, c := range t.changes {
		if c.Kind == k {
			n++
		}
	}
	return n
}
func (t *tape) lines() (out []string) {
	for _, c := range t.changes {
		switch c.Kind {
		case Reported:
			r := c.Report
			out = append(out, fmt.Sprintf("%3.0f %s %s %s %s", r.At.Sub(t0).Minutes(), r.Finding, r.Change, r.Fault, r.Priority))
		case Moved:
			out = append(out, fmt.Sprintf("%3.0f %s %s: %s", c.At.Sub(t0).Minutes(), c.Alert.ID, c.Step.Verb, c.Step.To))
		default:
			out = append(out, fmt.Sprintf("%3.0f %s %s: %s %s %d", c.At.Sub(t0).Minutes(), c.Alert.ID, c.Kind, c.Alert.Cause, c.Alert.Priority, len(c.Alert.Members)))
		}
	}
	return out
}

func TestQueueTellsASimpleStory(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(3, 6)}), &story{}, &tape{}
	f := s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, 0.9, 20*time.Hour)
	tp.add(q.Apply(f))
	tp.add(q.Advance(mins(600)))
	ice := s.raise(mins(700), "s0", "s0-m1", fault.CoilIced, 0.9, 3*time.Hour)
	tp.add(q.Apply(ice))
	if _, err := q.Do("A-F-000001", Order{Verb: Acknowledge, By: Actor{Tech, "ana"}, At: mins(705)}); err != nil {
		t.Error(err)
	}
	tp.add(q.Apply(next(ice, mins(800), detect.Cleared)))
	tp.add(q.Apply(next(f, mins(800), detect.Cleared)))
	tp.add(q.Advance(mins(900)))
	want := []string{
		"  0 F-000001 raised evaporator-fan-stopped medium",
		" 10 A-F-000001 opened: machine medium 1",
		"200 F-000001 revised evaporator-fan-stopped high",
		"200 A-F-000001 revised: machine high 1",
		"700 F-000001 revised evaporator-fan-stopped high", // its limit is sooner: the coil has iced
		"700 A-F-000001 revised: machine high 2",
		"800 F-000001 revised evaporator-fan-stopped high",
		"800 A-F-000001 revised: machine high 1",
		"815 F-000001 cleared evaporator-fan-stopped high",
		"815 A-F-000001 return: normal",
	}
	if got := tp.lines(); !slices.Equal(got, want) {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
}

func TestSiteOutage(t *testing.T) {
	for _, kind := range []fault.Fault{fault.PowerLost, fault.Silent} {
		q, s, tp := New(Options{Fleet: town(3, 12)}), &story{}, &tape{}
		var fs []detect.Finding
		for i := range 12 {
			f := s.raise(mins(0)+collector.Millis(i*20000), "s1", fmt.Sprintf("s1-m%d", i), kind, 0.95, 0)
			fs = append(fs, f)
			tp.add(q.Apply(f))
		}
		tp.add(q.Advance(mins(120)))
		for i, f := range fs {
			tp.add(q.Apply(next(f, mins(121)+collector.Millis(i*1000), detect.Cleared)))
		}
		tp.add(q.Advance(mins(300)))
		if n := tp.count(Opened); n != 1 {
			t.Errorf("%s: %d alerts for one cause, want 1", kind, n)
		}
	}
}

// TestOutageSaidBitByBit: what fell silent at once is said at different times, for a
// machine whose product holds is waited out for longer.
func TestOutageSaidBitByBit(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(3, 12)}), &story{}, &tape{}
	for i := range 12 {
		f := s.raise(mins(20+12*i), "s1", fmt.Sprintf("s1-m%d", i), fault.Silent, 0.75, 0)
		f.Since = mins(0)
		tp.add(q.Apply(f))
	}
	tp.add(q.Advance(mins(240)))
	open := q.Alerts()
	if len(open) != 1 || open[0].Cause != Uplink || len(open[0].Members) != 12 {
		t.Errorf("%d alerts, want one of 12 machines:\n%s", len(open), strings.Join(tp.lines(), "\n"))
	}
	// On their own: as far apart, but since different hours.
	q, s, tp = New(Options{Fleet: town(3, 12)}), &story{}, &tape{}
	for i := range 4 {
		f := s.raise(mins(20+60*i), "s1", fmt.Sprintf("s1-m%d", i), fault.Silent, 0.75, 0)
		f.Since = mins(60 * i)
		tp.add(q.Apply(f))
	}
	tp.add(q.Advance(mins(600)))
	if open := q.Alerts(); len(open) != 4 {
		t.Errorf("%d alerts of four silences an hour apart:\n%s", len(open), strings.Join(tp.lines(), "\n"))
	}
}

func TestReportLine(t *testing.T) {
	q, s := New(Options{}), &story{}
	f := s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, 0.94, 5*time.Hour)
	f.ProductTemperature = quantity.Celsius(math.NaN())
	f.HasProduct = true
	f.Candidates = append(f.Candidates, detect.Candidate{Fault: fault.CoilIced, Probability: 0.05}, detect.Candidate{Fault: fault.Well, Probability: 0.01})
	f.Evidence = []detect.Evidence{{Text: "fan 0.0 A", Weight: math.Inf(1)}}
	b, err := json.Marshal(q.Apply(f)[0].Report)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"at":"2026-07-01T12:00:00Z","machine":"s0-m1","site":"s0","finding":"F-000001","change":"raised",` +
		`"fault":"evaporator-fan-stopped","probability":0.94,"candidates":[{"fault":"evaporator-fan-stopped","probability":0.94},` +
		`{"fault":"coil-iced","probability":0.05}],"priority":"high","product_temperature":null,"limit_at":"2026-07-01T17:00:00Z",` +
		`"evidence":["fan 0.0 A"],"limit_early":"2026-07-01T16:00:00Z","limit_late":"2026-07-01T18:30:00Z","seq":0,` +
		`"why":"about $450 of drinks, 5 h left, 50 min drive"}`
	if string(b) != want {
		t.Errorf("got\n%s\nwant\n%s", b, want)
	}
}

// TestAdvancingMoreOftenChangesNothing plays random findings with and without
// time passing between them, and with a restart in the middle.
func TestAdvancingMoreOftenChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &story{}
		var fs, open []detect.Finding
		at := mins(0)
		faults := []fault.Fault{fault.Silent, fault.PowerLost, fault.CoilIced, fault.EvaporatorFanStopped, fault.Unknown}
		for range rapid.IntRange(1, 40).Draw(t, "findings") {
			at = at.Add(time.Duration(rapid.IntRange(0, 3600).Draw(t, "gap")) * time.Second)
			if len(open) > 0 && rapid.Bool().Draw(t, "change") {
				i := rapid.IntRange(0, len(open)-1).Draw(t, "which")
				f := next(open[i], at, rapid.SampledFrom([]detect.Change{detect.Revised, detect.Cleared}).Draw(t, "what"))
				if open[i] = f; f.Change == detect.Cleared {
					open = slices.Delete(open, i, i+1)
				}
				fs = append(fs, f)
				continue
			}
			site := rapid.IntRange(0, 2).Draw(t, "site")
			f := s.raise(at, fmt.Sprintf("s%d", site), fmt.Sprintf("s%d-m%d", site, rapid.IntRange(0, 5).Draw(t, "machine")),
				rapid.SampledFrom(faults).Draw(t, "fault"), 0.9, time.Duration(rapid.IntRange(0, 20).Draw(t, "left"))*time.Hour)
			fs, open = append(fs, f), append(open, f)
		}
		end := at.Add(30 * time.Hour)
		play := func(step time.Duration, restart bool) []string {
			q, tp := New(Options{Fleet: town(3, 6)}), &tape{}
			now := mins(0)
			for i, f := range fs {
				for ; step > 0 && now < f.At; now = now.Add(step) {
					tp.add(q.Advance(now))
				}
				tp.add(q.Apply(f))
				if restart && i == len(fs)/2 {
					b, err := q.Snapshot()
					if err != nil {
						t.Fatal(err)
					}
					q = New(Options{Fleet: town(3, 6)})
					if err := q.Restore(b); err != nil {
						t.Fatal(err)
					}
				}
			}
			tp.add(q.Advance(end))
			last := collector.Millis(0)
			for _, c := range tp.changes {
				if c.At < last {
					t.Fatalf("a change goes back in time")
				}
				last = c.At
			}
			return tp.lines()
		}
		want := play(0, false)
		if got := play(97*time.Second, true); !slices.Equal(got, want) {
			t.Fatalf("advanced often and restarted:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	})
}

func TestBrokerGone(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(6, 5)}), &story{}, &tape{}
	for i := range 30 {
		tp.add(q.Apply(s.raise(mins(0)+collector.Millis(i*9000), fmt.Sprintf("s%d", i%6), fmt.Sprintf("s%d-m%d", i%6, i/6), fault.Silent, 0.97, 0)))
	}
	tp.add(q.Advance(mins(240)))
	open := q.Alerts()
	if len(open) != 1 || open[0].Cause != SharedLink || len(open[0].Members) != 30 {
		t.Errorf("%d alerts, want one of 30 machines:\n%s", len(open), strings.Join(tp.lines(), "\n"))
	}
}

// TestCoincidence: two machines of a large site may well fall silent on their own.
func TestCoincidence(t *testing.T) {
	c := DefaultCoincidence()
	if p := OneCause(2, 40, c.Window, c.Machine, c.Site); p > 0.9 {
		t.Errorf("2 of 40: %.3f", p)
	}
	if p := OneCause(4, 6, c.Window, c.Machine, c.Site); p < c.Certainty {
		t.Errorf("4 of 6: %.3f", p)
	}
	// Binomial tail, closed form: P(K ≥ 1) = 1 − (1 − q)^n.
	if got, want := binomialTail(5, 1, 0.1), 1-math.Pow(0.9, 5); math.Abs(got-want) > 1e-12 {
		t.Errorf("binomial tail %v, want %v", got, want)
	}
}

func TestLoadFigures(t *testing.T) {
	var told []Told
	for i := range 12 {
		told = append(told, Told{At: mins(i / 2).Time(), Priority: High})
	}
	l := MeasureLoad(told, mins(0).Time(), mins(1440).Time())
	if l.Busiest != 12 || l.Floods != 1 || l.Shift != 12 || l.InFlood <= 0 || l.InFlood > 0.01 {
		t.Errorf("%+v", l)
	}
	if l := MeasureLoad(told[:10], mins(0).Time(), mins(1440).Time()); l.Floods != 0 {
		t.Errorf("ten in 10 min are a flood: %+v", l)
	}
}

// TestIncidents: what asks for nothing is none, the same alert again is the same, and
// a shift has 12 h.
func TestIncidents(t *testing.T) {
	at := func(h float64, alert string) Told { return Told{At: mins(int(h * 60)).Time(), Alert: alert} }
	for _, c := range []struct {
		told []Told
		want int
	}{
		{nil, 0},
		{[]Told{at(1, ""), at(2, ""), at(3, "a"), at(4, "a"), at(5, "")}, 1},
		{[]Told{at(1, "a"), at(2, "b"), at(3, "a"), at(4, "c")}, 3},
		{[]Told{at(13, "b"), at(1, "a"), at(25, "c")}, 1},
		{[]Told{at(1, "a"), at(2, "a"), at(13.5, "b"), at(13.9, "c")}, 3},
	} {
		if l := MeasureLoad(c.told, mins(0).Time(), mins(3000).Time()); l.Incidents != c.want {
			t.Errorf("%v: %d, want %d", c.told, l.Incidents, c.want)
		}
	}
}
