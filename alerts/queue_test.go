package alerts

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
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
	n   int
	seq map[string]int
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
	for _, l := range tp.lines() {
		t.Log(l)
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
		for _, l := range tp.lines() {
			t.Log(l)
		}
		if n := tp.count(Opened); n != 1 {
			t.Errorf("%s: %d alerts for one cause, want 1", kind, n)
		}
	}
}

func TestReportLine(t *testing.T) {
	q, s := New(Options{}), &story{}
	c := q.Apply(s.raise(mins(0), "s0", "s0-m1", fault.EvaporatorFanStopped, 0.9, 20*time.Hour))
	b, err := json.Marshal(c[0].Report)
	t.Log(string(b), err)
}
