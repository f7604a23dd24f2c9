package assess

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
	"coilward/detect/truth"
)

func ptr(x float64) *float64 { return &x }

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9 {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// one is a machine of two days with one fault: onset at 10 h, first effect at
// 12 h, product out of its limit at 20 h, repaired at 30 h.
func one() *truth.Fleet {
	return &truth.Fleet{Days: 2, Machines: []truth.Machine{{Machine: "m", Set: "basic", Episodes: []truth.Episode{{
		Fault: fault.EvaporatorFanStopped, Onset: 10 * hour, Material: ptr(12 * hour), Limit: ptr(20 * hour), Ended: ptr(30 * hour),
		Aliases: []fault.Fault{fault.CompressorWeak}, Secondary: []truth.Secondary{{Fault: fault.CoilIced, From: 16 * hour}},
	}}, Life: truth.Life{Restocks: []truth.Event{{At: 35 * hour}}}}}}
}

func word(id string, h float64, c detect.Change, f fault.Fault) Word {
	return Word{Finding: id, Machine: "m", Change: c, At: h * hour, Fault: f, Probability: 0.9, Urgent: true,
		Candidates: []detect.Candidate{{Fault: f, Probability: 0.9}, {Fault: fault.DoorLeak, Probability: 0.05}}}
}

func of(words ...Word) *Figures { return Of(Case{one(), words}) }

func TestWindowLeft(t *testing.T) {
	f := of(word("F1", 14, detect.Raised, fault.EvaporatorFanStopped), word("F1", 33, detect.Cleared, fault.EvaporatorFanStopped))
	a := f.All
	near(t, "window from onset", a.Window[0], 0.6)
	near(t, "window from effect", a.FromEffect[0], 0.75)
	near(t, "lead", a.Lead[0], 6)
	if a.Noticed != 1 || a.NoticedUrgent != 1 || a.BeforeLimit != 1 || a.Named != 1 || f.BySet["basic"].Episodes != 1 ||
		f.ByFault[fault.EvaporatorFanStopped].Episodes != 1 || f.Cooling.Episodes != 1 {
		t.Errorf("counts: %+v", a)
	}
	if f.Ended != 1 || f.ClearedInTime != 1 || f.ClearedEarly != 0 {
		t.Errorf("cleared: %d of %d, early %d", f.ClearedInTime, f.Ended, f.ClearedEarly)
	}
	near(t, "Brier score", f.Brier, 0.01)
	// The machine is free of it but for 11 h to 30 h and the slack after.
	near(t, "machine-days", f.False.MachineDays, (48-19)/24.0-300.0/86400)
}

func TestLateAndNever(t *testing.T) {
	for name, words := range map[string][]Word{"late": {word("F1", 21, detect.Raised, fault.EvaporatorFanStopped)}, "never": nil} {
		a := of(words...).All
		if a.Window[0] != 0 || a.FromEffect[0] != 0 || len(a.Lead) != 0 || a.BeforeLimit != 0 || a.Noticed != len(words) {
			t.Errorf("%s: %+v", name, a)
		}
	}
}

func TestNames(t *testing.T) {
	for _, c := range []struct {
		name          string
		at            float64
		f             fault.Fault
		noticed       bool
		first, strict bool
		falseAlarm    bool
	}{
		{"its name, before any effect", 10.5, fault.EvaporatorFanStopped, true, true, true, false},
		{"an alias", 13, fault.CompressorWeak, true, true, false, false},
		{"what it turns into, too early", 13, fault.CoilIced, true, false, false, false},
		{"what it turns into", 17, fault.CoilIced, true, true, false, false},
		{"another part, before any effect", 10.5, fault.CondenserBlocked, false, false, false, true},
		{"another part", 13, fault.CondenserBlocked, true, false, false, false},
		{"a name it could never cause", 13, fault.SensorFault, false, false, false, true},
		{"its name, but long after", 31, fault.EvaporatorFanStopped, false, false, false, true},
	} {
		f := of(word("F1", c.at, detect.Raised, c.f))
		a := f.All
		if (a.Noticed == 1) != c.noticed || (a.AtRaise.First == 1) != c.first || (a.AtRaise.FirstStrict == 1) != c.strict || (f.False.Urgent == 1) != c.falseAlarm {
			t.Errorf("%s: noticed %d, right %d, to the letter %d, false alarms %d", c.name, a.Noticed, a.AtRaise.First, a.AtRaise.FirstStrict, f.False.Urgent)
		}
	}
}

func TestSixHoursLater(t *testing.T) {
	later := word("F1", 15, detect.Revised, fault.DoorLeak)
	later.Candidates = []detect.Candidate{{Fault: fault.DoorLeak, Probability: 0.5}, {Fault: fault.EvaporatorFanStopped, Probability: 0.4}}
	a := of(word("F1", 13, detect.Raised, fault.EvaporatorFanStopped), later).All
	if a.AtRaise.First != 1 || a.Later.First != 0 || a.Later.Two != 1 {
		t.Errorf("at the raise %+v, later %+v", a.AtRaise, a.Later)
	}
	// Cleared by then: nothing is named any more.
	a = of(word("F1", 13, detect.Raised, fault.EvaporatorFanStopped), word("F1", 15, detect.Cleared, fault.EvaporatorFanStopped)).All
	if a.Later.Two != 0 {
		t.Errorf("cleared, and yet %+v", a.Later)
	}
}

func TestFalseAlarmsAreTraced(t *testing.T) {
	quiet := word("F2", 40, detect.Raised, fault.DoorOpen)
	quiet.Urgent = false
	f := of(word("F1", 36, detect.Raised, fault.DoorLeak), quiet)
	if f.False.Urgent != 1 || f.False.Any != 2 || f.False.After["restock"] != 1 || f.False.ByFault[fault.DoorLeak] != 1 || f.False.BySet["basic"] != 1 {
		t.Errorf("%+v", f.False)
	}
	fl := one()
	fl.Machines[0].DontCare = []truth.DontCare{{All: true, From: 35 * hour, To: 37 * hour}}
	if f := Of(Case{fl, []Word{word("F1", 36, detect.Raised, fault.DoorLeak)}}); f.False.Urgent != 0 || f.Reliability[4].Findings != 0 {
		t.Errorf("nobody can tell, and yet %+v", f.False)
	}
}

func TestForecast(t *testing.T) {
	w := word("F1", 14, detect.Raised, fault.EvaporatorFanStopped)
	w.HasLimit, w.Limit = true, 23*hour
	last := word("F1", 19, detect.Revised, fault.EvaporatorFanStopped)
	last.HasLimit, last.Limit = true, 19.5*hour
	f := of(w, last).Forecast
	near(t, "error at the raise", f.Error[0], 3)
	near(t, "last error", f.LastError[0], 0.5)
	if f.Optimistic != 1 || f.Given != 1 || f.Episodes != 1 {
		t.Errorf("%+v", f)
	}
}

// Definition 7 of Hyndman and Fan (1996) is the default of R's quantile:
// quantile(c(1,2,3,4,10), c(.1,.5,.9)) gives 1.4, 3, 7.6.
func TestQuantile(t *testing.T) {
	v := []float64{1, 2, 3, 4, 10}
	for q, want := range map[float64]float64{0.1: 1.4, 0.5: 3, 0.9: 7.6, 0: 1, 1: 10} {
		got, _ := Quantile(v, q)
		near(t, "quantile", got, want)
	}
	if _, ok := Quantile(nil, 0.5); ok {
		t.Error("nothing has a median")
	}
}

func TestNoiseIsFoundAndDoubled(t *testing.T) {
	const sd = 0.3
	rng := rand.New(rand.NewPCG(1, 2))
	record := func(change func(*collector.Reading) bool) float64 {
		var m NoiseMeter
		for i := range 4000 {
			var r collector.Reading
			r.At = collector.Millis(i * 60000)
			r.Has = r.Has.With(collector.CabinetAir)
			r.Value[collector.CabinetAir] = 4 + 2*math.Sin(float64(i)/40) + sd*rng.NormFloat64()
			if i%100 > 80 {
				r.Value[collector.CabinetAir] += 3 // a door that stands open is no noise
			}
			if change(&r) {
				m.Take(&r)
			}
		}
		return m.Noise()[collector.CabinetAir]
	}
	plain := record(func(*collector.Reading) bool { return true })
	if math.Abs(plain-sd) > 0.03 {
		t.Errorf("noise of %v is found to be %v", sd, plain)
	}
	var found [collector.NumChannels]float64
	found[collector.CabinetAir] = plain
	x := NewDisturber(&Disturbance{Noise: []collector.Channel{collector.CabinetAir}}, &found, 1)
	if twice := record(x.Change); math.Abs(10*math.Log10(twice*twice/plain/plain)-3) > 0.6 {
		t.Errorf("3 dB more are %.2f dB", 20*math.Log10(twice/plain))
	}
}

func TestDisturbances(t *testing.T) {
	var none [collector.NumChannels]float64
	reading := func(i int) *collector.Reading {
		r := &collector.Reading{At: collector.Millis(i * 30000)}
		r.Has = r.Has.With(collector.CabinetAir).With(collector.Door)
		r.Value[collector.CabinetAir], r.Value[collector.Door] = 4.3, 1
		return r
	}
	x := NewDisturber(&Disturbance{Interval: 120, Quantum: 0.5, Remove: []collector.Channel{collector.Door}}, &none, 1)
	kept := 0
	for i := range 400 {
		r := reading(i)
		if !x.Change(r) {
			continue
		}
		kept++
		if r.Value[collector.CabinetAir] != 4.5 || r.Has.Has(collector.Door) || !r.Has.Has(collector.CabinetAir) {
			t.Fatalf("%+v", r)
		}
	}
	if kept != 100 {
		t.Errorf("%d of 400 are kept, one in four should be", kept)
	}
	if x := NewDisturber(&Disturbance{Remove: []collector.Channel{collector.Door, collector.CabinetAir}}, &none, 1); x.Change(reading(0)) {
		t.Error("a reading without channels is none")
	}
	if x := NewDisturber(&Disturbance{Interval: 1e6}, &none, 1); !x.Change(&collector.Reading{Status: collector.Offline}) || !x.Change(reading(0)) || x.Change(reading(1)) {
		t.Error("what a status says stays, the first reading too")
	}
}

func TestReport(t *testing.T) {
	f := of(word("F1", 14, detect.Raised, fault.EvaporatorFanStopped), word("F2", 36, detect.Raised, fault.DoorLeak))
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	if err := WriteComparison(&b, "Raised at", []string{"0.9"}, []*Figures{f}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"evaporator-fan-stopped         1     100 %       1/1     100 %    75 %", "after restock", "said 0.90, right 0.50",
		"False alarms, medium or higher: 1", "Brier score 0.410"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not in\n%s", want, b.String())
		}
	}
}
