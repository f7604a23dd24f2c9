package diagnose

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"coilward/detect/fault"
)

func TestShares(t *testing.T) {
	var sum float64
	for f, s := range share {
		if is := f >= firstFault && f <= lastFault; is != (s > 0) {
			t.Errorf("%v has the share %v", fault.Fault(f), s)
		}
		sum += s
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("shares sum to %v", sum)
	}
}

// hourly are the built-in rates.
var hourly = newRates(&share)

func TestRates(t *testing.T) {
	for from := range hourly {
		for to, r := range hourly[from] {
			if r < 0 || math.IsNaN(r) || r > 2 {
				t.Errorf("%d to %d: %v an hour", from, to, r)
			}
		}
	}
	for _, from := range []State{State(fault.Well), WarmLoad, Unplugged, Resettled} {
		var r float64
		for f := firstFault; f <= lastFault; f++ {
			r += hourly[from][f]
		}
		if math.Abs(r-faultsAnHour) > 1e-12 {
			t.Errorf("state %d fails %v times an hour, want %v", from, r, faultsAnHour)
		}
	}
	for f := firstFault; f <= lastFault; f++ {
		name := fault.Fault(f)
		if hourly[f][fault.Well] < repairsAnHour {
			t.Errorf("%v is put right %v times an hour", name, hourly[f][fault.Well])
		}
		if hourly[f][WarmLoad] <= 0 {
			t.Errorf("%v leaves no warm load behind", name)
		}
		for g := firstFault; g <= lastFault; g++ {
			if hourly[f][g] <= 0 {
				t.Errorf("%v can never turn into %v", name, fault.Fault(g))
			}
		}
	}
}

// An hour without evidence moves what the rates say and keeps the rest.
func TestAnHourWithoutEvidence(t *testing.T) {
	var p Posterior
	for s := range p.logp {
		p.logp[s] = -28
	}
	p.logp[fault.Well] = 0
	var nothing Score
	BuiltIn().Advance(&p, &nothing, 1, 1)
	q := p.Probabilities()
	left := 1.0
	for s := 1; s < NumStates; s++ {
		want := 1 - math.Exp(-hourly[fault.Well][s])
		left -= want
		if math.Abs(q[s]-want) > 0.01*want {
			t.Errorf("state %d: %.6f, want %.6f", s, q[s], want)
		}
	}
	if math.Abs(q[fault.Well]-left) > 1e-4 {
		t.Errorf("well %.5f, want %.5f", q[fault.Well], left)
	}
}

// A coil without air ices over: its own rate is well above every turn by
// chance; so is that of the damp air a leaking door lets in.
func TestConsequences(t *testing.T) {
	for _, cause := range []fault.Fault{fault.EvaporatorFanStopped, fault.DoorLeak} {
		var p Posterior
		for s := range p.logp {
			p.logp[s] = -28
		}
		p.logp[cause] = 0
		var nothing Score
		for range 12 * 15 { // half a day without evidence
			BuiltIn().Advance(&p, &nothing, 1, 1.0/15)
		}
		q := p.Probabilities()
		for f := firstFault; f <= lastFault; f++ {
			if g := fault.Fault(f); g != cause && g != fault.CoilIced && q[fault.CoilIced] < 5*q[f] {
				t.Errorf("after half a day of %v: ice %.4f, %v %.4f", cause, q[fault.CoilIced], g, q[f])
			}
		}
	}
}

// say returns a score that favours s by w nats over every other state.
func say(s State, w float32) (sc Score) {
	sc[s] = w
	return sc
}

func TestProbabilitiesStayProbabilities(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := BuiltIn().Begin()
		for range rapid.IntRange(0, 60).Draw(t, "looks") {
			var s Score
			for i := range s {
				s[i] = rapid.Float32Range(-300, 300).Draw(t, "score")
			}
			BuiltIn().Advance(&p, &s, rapid.Float64Range(0, 1).Draw(t, "trust"), rapid.Float64Range(0, 500).Draw(t, "hours"))
			sum := 0.0
			for i, q := range p.Probabilities() {
				if !(q >= 0 && q <= 1) { // NaN too
					t.Fatalf("state %d has the probability %v", i, q)
				}
				sum += q
			}
			if math.Abs(sum-1) > 1e-4 { // logarithms in single precision
				t.Fatalf("probabilities sum to %v", sum)
			}
			if w := p.Well(); !(w >= 0 && w <= 1+1e-4) {
				t.Fatalf("well %v", w)
			}
		}
	})
}

// With nothing seen a machine is most likely well, for months.
func TestRareUnlessSeen(t *testing.T) {
	p := BuiltIn().Begin()
	var nothing Score
	for h := range 90 * 24 {
		BuiltIn().Advance(&p, &nothing, 1, 1)
		if w := p.Well(); w < 0.8 {
			t.Fatalf("hour %d: well %.3f with nothing seen", h, w)
		}
	}
}

// However long a fault has lasted, its repair shows within a shift.
func TestForgetsAfterRepair(t *testing.T) {
	for f := firstFault; f <= lastFault; f++ {
		p := BuiltIn().Begin()
		sick, well := say(State(f), 8), say(State(fault.Well), 8)
		for range 14 * 24 * 15 {
			BuiltIn().Advance(&p, &sick, 1, 1.0/15)
		}
		if q := p.Probabilities(); q[f] < 0.95 {
			t.Errorf("%v: %.3f after two weeks of evidence", fault.Fault(f), q[f])
		}
		for range 8 * 15 {
			BuiltIn().Advance(&p, &well, 1, 1.0/15)
		}
		if w := p.Well(); w < 0.9 {
			t.Errorf("%v: well %.3f eight hours after the repair", fault.Fault(f), w)
		}
	}
}

// A fault that begins after months of good life is believed within the hour
// that shows it.
func TestBelievesAfterLongHealth(t *testing.T) {
	for f := firstFault; f <= lastFault; f++ {
		p := BuiltIn().Begin()
		well, sick := say(State(fault.Well), 6), say(State(f), 10)
		for range 60 * 24 * 15 {
			BuiltIn().Advance(&p, &well, 1, 1.0/15)
		}
		for range 15 {
			BuiltIn().Advance(&p, &sick, 1, 1.0/15)
		}
		if q := p.Probabilities(); q[f] < 0.9 {
			t.Errorf("%v: %.3f after an hour of clear evidence", fault.Fault(f), q[f])
		}
	}
}

// Looking oftener is not knowing more: the same hour in looks of two
// minutes and of eight gives nearly the same.
func TestLooksAreNotIndependent(t *testing.T) {
	s := say(State(fault.RefrigerantLow), 0.5)
	after := func(looks int) float64 {
		p := BuiltIn().Begin()
		for range looks {
			BuiltIn().Advance(&p, &s, 1, 1/float64(looks))
		}
		return p.Probabilities()[fault.RefrigerantLow]
	}
	few, many := after(8), after(30)
	if math.Abs(few-many) > 0.1*few {
		t.Errorf("%.4f by 8 looks, %.4f by 30", few, many)
	}
}

// What is not trusted does not count.
func TestTrust(t *testing.T) {
	s, nothing := say(State(fault.CoilIced), 9), Score{}
	p, q, r := BuiltIn().Begin(), BuiltIn().Begin(), BuiltIn().Begin()
	for range 10 {
		BuiltIn().Advance(&p, &s, 0, 0.1)
		BuiltIn().Advance(&q, &nothing, 1, 0.1)
		BuiltIn().Advance(&r, &s, 0.5, 0.1)
	}
	if p.Probabilities() != q.Probabilities() {
		t.Error("a score without trust moved the probabilities")
	}
	whole := BuiltIn().Begin()
	for range 10 {
		BuiltIn().Advance(&whole, &s, 1, 0.1)
	}
	if a, b, c := q.Probabilities()[fault.CoilIced], r.Probabilities()[fault.CoilIced], whole.Probabilities()[fault.CoilIced]; !(a < b && b < c) {
		t.Errorf("ice %v untrusted, %v half, %v whole", a, b, c)
	}
}

func TestStateFault(t *testing.T) {
	for s := range State(NumStates) {
		if f := s.Fault(); (s <= State(fault.SensorFault)) != (State(f) == s) {
			t.Errorf("state %d is %v", s, f)
		}
	}
}

func BenchmarkAdvance(b *testing.B) {
	p := BuiltIn().Begin()
	s := say(State(fault.Well), 3)
	b.ReportAllocs()
	for b.Loop() {
		BuiltIn().Advance(&p, &s, 1, 1.0/15)
	}
}
