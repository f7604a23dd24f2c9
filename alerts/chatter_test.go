package alerts

import (
	"slices"
	"testing"
	"time"

	"coilward/detect"
	"coilward/detect/fault"
)

func sourceOf(name string, seconds ...int) Source {
	s := Source{Name: name}
	for i := 0; i+1 < len(seconds); i += 2 {
		s.Activations = append(s.Activations, Activation{t0.Add(time.Duration(seconds[i]) * time.Second), t0.Add(time.Duration(seconds[i+1]) * time.Second)})
	}
	return s
}

// TestChatteringAndFleeting holds the counts to the figures of ISA-18.2 (from
// memory): chattering is 3 or more within 60 s, fleeting is over at once and does
// not repeat.
func TestChatteringAndFleeting(t *testing.T) {
	a := MeasureAnnoyance([]Source{
		sourceOf("chatters", 0, 5, 20, 25, 59, 70),
		sourceOf("just not", 0, 70, 90, 160, 200, 300),
		sourceOf("two are none", 0, 5, 20, 25),
		sourceOf("one and two later", 0, 5, 70, 75, 100, 110),
		sourceOf("fleeting", 0, 59),
		sourceOf("lasts", 0, 60),
		sourceOf("before", -100, -50),
	}, t0, t0.Add(time.Hour))
	if !slices.Equal(a.Chattering, []string{"chatters"}) || !slices.Equal(a.Fleeting, []string{"fleeting", "one and two later", "two are none"}) || a.Activations != 13 {
		t.Errorf("%+v", a)
	}
	if a.Frequent[0].Name != "chatters" || a.FrequentShare != 1 {
		t.Errorf("most frequent %+v, share %v", a.Frequent[0], a.FrequentShare)
	}
}

// TestTheDelaysLeaveNoChatter: a machine that comes and goes every 15 s makes one
// alert that does not chatter, though its findings do.
func TestTheDelaysLeaveNoChatter(t *testing.T) {
	q, s, tp := New(Options{Fleet: town(1, 2)}), &story{}, &tape{}
	var raw Source
	for i := range 40 {
		at := mins(0).Add(time.Duration(15*i) * time.Second)
		f := s.raise(at, "s0", "s0-m1", fault.CompressorNotStarting, .95, 2*time.Hour)
		raw.Activations = append(raw.Activations, Activation{at, at.Add(5 * time.Second)})
		tp.add(q.Apply(f))
		tp.add(q.Apply(next(f, at.Add(5*time.Second), detect.Cleared)))
	}
	tp.add(q.Apply(s.raise(mins(11), "s0", "s0-m1", fault.CompressorNotStarting, .95, 2*time.Hour)))
	tp.add(q.Advance(mins(3000)))
	var moves []Step
	for _, c := range tp.changes {
		if c.Step.Alert != "" {
			moves = append(moves, c.Step)
		}
	}
	if a := MeasureAnnoyance(SourcesOf(moves), mins(0), mins(3000)); a.Activations != 1 || len(a.Chattering)+len(a.Fleeting) != 0 {
		t.Errorf("alerts: %+v", a)
	}
	if a := MeasureAnnoyance([]Source{raw}, mins(0), mins(3000)); len(a.Chattering) != 1 {
		t.Errorf("the findings did not chatter, so the test shows nothing: %+v", a)
	}
}
