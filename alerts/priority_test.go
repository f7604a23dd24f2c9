package alerts

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

var t0 = collector.MillisOf(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC))

func finding(f fault.Fault, p float64, left time.Duration) *detect.Finding {
	x := &detect.Finding{ID: "F-1", Machine: "cab-1", Site: "s", At: t0, RaisedAt: t0, Since: t0.Add(-time.Hour), Fault: f, Probability: p,
		Candidates: []detect.Candidate{{Fault: f, Probability: p}}}
	if left != 0 {
		x.LimitAt = t0.Add(left)
		x.LimitSide = detect.Warm
		x.LimitEarly, x.LimitLate = t0.Add(left*8/10), t0.Add(left*13/10)
	}
	return x
}

// watched gives a finding a product that was measured.
func watched(f *detect.Finding) *detect.Finding {
	f.HasProduct, f.ProductTemperature = true, 3
	return f
}

func priorityOf(f *detect.Finding, m *fleet.Machine, at collector.Millis) Priority {
	return NewRules().Assess(f, m, at).Priority
}

// TestPriorities holds the weighing to what a dispatcher would say. Common
// practice, no source.
func TestPriorities(t *testing.T) {
	drinks := &fleet.Machine{Product: fleet.SealedBeverage, LoadValue: 420}
	dairy := &fleet.Machine{Product: fleet.Dairy, LoadValue: 420}
	h := time.Hour
	for _, c := range []struct {
		name  string
		f     *detect.Finding
		m     *fleet.Machine
		after time.Duration
		want  []Priority
	}{
		{"drinks, 4 h 45 min left", finding(fault.EvaporatorFanStopped, .94, 4*h+45*time.Minute), drinks, 0, []Priority{High}},
		{"dairy, 3 h left", finding(fault.CompressorNotStarting, .9, 3*h), dairy, 0, []Priority{Critical}},
		{"dairy, 20 h left", finding(fault.CompressorNotStarting, .9, 20*h), dairy, 0, []Priority{High}},
		{"drinks, 40 h left", finding(fault.CompressorWeak, .9, 40*h), drinks, 0, []Priority{Medium}},
		{"never leaves its limit, sure", finding(fault.CondenserBlocked, .9, 0), drinks, 0, []Priority{Medium}},
		{"never leaves its limit, unsure", finding(fault.CondenserBlocked, .6, 0), drinks, 0, []Priority{Low}},
		{"a door that leaks a little, unsure", finding(fault.DoorLeak, .5, 0), drinks, 0, []Priority{Low}},
		{"product in danger, a coin's toss", finding(fault.RefrigerantLow, .5, 10*h), drinks, 0, []Priority{Medium, High}},
		{"no power", finding(fault.PowerLost, .9, 0), drinks, 0, []Priority{High, Critical}},
		{"no power, dairy", finding(fault.PowerLost, .9, 0), dairy, 0, []Priority{High, Critical}},
		{"a sensor", finding(fault.SensorFault, .99, 0), dairy, 0, []Priority{Low}},
		// A stop in the next round costs nothing if the machine speaks again before;
		// who is told, and when, is another matter: TestSilenceIsToldOnceItIsLikelyToStay.
		{"just silent", watched(finding(fault.Silent, .97, 0)), drinks, 0, []Priority{Medium}},
		{"silent for half a day", watched(finding(fault.Silent, .97, 0)), drinks, 12 * h, []Priority{Medium}},
		{"silent, and its product was never measured", finding(fault.Silent, .97, 0), drinks, 12 * h, []Priority{Low}},
	} {
		if got := priorityOf(c.f, c.m, t0.Add(c.after)); !slices.Contains(c.want, got) {
			t.Errorf("%s: %s, want %v; %+v", c.name, got, c.want, NewRules().Assess(c.f, c.m, t0.Add(c.after)).Expected)
		}
	}
}

func TestOneLineSaysWhatIsAtStake(t *testing.T) {
	f := finding(fault.CompressorNotStarting, .95, 3*time.Hour)
	f.LimitEarly = 0
	got := NewRules().Assess(f, &fleet.Machine{Product: fleet.Dairy, LoadValue: 420}, t0).Why
	if want := "$420 of dairy, 3 h left, 50 min drive"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestLostLoadStillSellsNothing: it is too late for the load, and the machine sells
// nothing until somebody comes. Common practice, no source.
func TestLostLoadStillSellsNothing(t *testing.T) {
	f := finding(fault.ThermostatStuckOn, .6, 0)
	m := &fleet.Machine{Product: fleet.SealedBeverage, LoadValue: 220}
	for _, h := range []int{4, 12, 48} {
		since := t0.Add(-time.Duration(h) * time.Hour)
		f.HasProduct, f.ProductTemperature, f.OutSince = true, -3, since
		if p := NewRules().AssessAll([]Stake{{f, m, nil, since}}, t0).Priority; p < Medium {
			t.Errorf("frozen for %d h: %s", h, p)
		}
	}
}

// TestClosedSite: nobody is woken for a site that opens in the morning.
func TestClosedSite(t *testing.T) {
	f, m := finding(fault.CompressorNotStarting, .95, 3*time.Hour), &fleet.Machine{Product: fleet.Dairy, LoadValue: 420}
	r := NewRules()
	if p := r.Assess(f, m, t0).Priority; p != Critical {
		t.Fatalf("open site: %s", p)
	}
	r.Open = func(_ string, at time.Time) time.Time {
		if morning := t0.Add(10 * time.Hour).Time(); at.Before(morning) {
			return morning
		}
		return at
	}
	if p := r.Assess(f, m, t0).Priority; p >= Critical {
		t.Errorf("closed site: %s", p)
	}
}

// TestSiteHoursCount: by its fleet file a site opens at 8; at night the same fault
// is a drive in the morning, and the amounts are in the fleet's money.
func TestSiteHoursCount(t *testing.T) {
	var h fleet.Hours
	for d := range h {
		h[d] = []fleet.Span{{From: 8 * 60, To: 18 * 60}}
	}
	milk := &fleet.Machine{ID: "m", Site: "s", Product: fleet.Dairy, LoadValue: 420}
	f := fleet.New(&fleet.Site{ID: "s", Hours: &h, Location: time.UTC, Machines: []*fleet.Machine{milk}})
	f.Currency = "EUR"
	r := NewRules().For(f)
	for _, c := range []struct {
		hour int
		want Priority
	}{{10, Critical}, {20, High}} {
		at := collector.MillisOf(time.Date(2026, 7, 1, c.hour, 0, 0, 0, time.UTC))
		x := finding(fault.CompressorNotStarting, .95, 0)
		x.At, x.LimitAt, x.LimitSide = at, at.Add(3*time.Hour), detect.Warm
		a := r.Assess(x, milk, at)
		if a.Priority > c.want || c.want == Critical && a.Priority != Critical {
			t.Errorf("at %d h: %s; %v", c.hour, a.Priority, a.Expected)
		}
		if !strings.HasPrefix(a.Why, "€420 of dairy") {
			t.Error(a.Why)
		}
	}
}

// TestLaws: more at stake, or surer, never makes an alert less urgent; nor does an
// hour less, while there is still time to save the load.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		product := fleet.Product(rapid.IntRange(0, fleet.NumProducts-1).Draw(t, "product"))
		p := rapid.Float64Range(0.1, 0.9).Draw(t, "probability")
		value := rapid.Float64Range(100, 1500).Draw(t, "value")
		left := time.Duration(rapid.IntRange(4*60, 72*60).Draw(t, "minutes")) * time.Minute
		at := func(p, value float64, left time.Duration) Priority {
			return priorityOf(finding(fault.CompressorNotStarting, p, left), &fleet.Machine{Product: product, LoadValue: value}, t0)
		}
		base := at(p, value, left)
		if x := at(p, value*1.3, left); x < base {
			t.Fatalf("worth more: %s after %s", x, base)
		}
		if x := at(min(1, p*1.1), value, left); x < base {
			t.Fatalf("surer: %s after %s", x, base)
		}
	})
}
