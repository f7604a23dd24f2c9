package simulate

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"math"
	"math/rand/v2"
	"path"
	"regexp"
	"slices"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/racetest"
	"coilward/detect/fault"
)

// Saturation pressures, kPa, of Tillner-Roth & Baehr 1994 (R-134a), Lemmon 2009
// Bücker & Wagner 2006 (R-600a), computed from those equations. The
// critical point lies far outside the range that was fitted.
func TestSaturationPressureAgreesWithTheEquationsOfState(t *testing.T) {
	for name, want := range map[string][3]float64{"R-134a": {132.74, 292.80, 1016.59}, "R-290": {244.52, 474.46, 1369.42}, "R-600a": {72.48, 156.96, 531.21}} {
		g, ok := refrigerantByName(name)
		if !ok {
			t.Fatalf("no %s", name)
		}
		for i, at := range []float64{-20, 0, 40} {
			if got := g.pressure(at); math.Abs(got/want[i]-1) > 0.001 {
				t.Errorf("%s at %g °C: %.2f kPa, want %.2f", name, at, got, want[i])
			}
		}
		if got := g.pressure(g.critT); math.Abs(got/g.critP-1) > 0.07 {
			t.Errorf("%s at its critical point: %.0f kPa, want %.0f within 7 %%", name, got, g.critP)
		}
	}
}

// Saturation pressure of water: ASHRAE Fundamentals 2017, chapter 1.
func TestSaturatedAirAgreesWithASHRAE(t *testing.T) {
	for at, pa := range map[float64]float64{-20: 103.24, -5: 401.74, 5: 872.6, 25: 3169.7} {
		want := 0.622 * pa / (101325 - pa)
		if got := satHumidity(at); math.Abs(got/want-1) > 0.006 {
			t.Errorf("humidity ratio at %g °C: %.6f, want %.6f", at, got, want)
		}
	}
}

// bench is a machine on a bench: constant room, nobody at it.
func bench(d *Design) *World {
	return &World{Room: 25, Humidity: 0.45 * satHumidity(25), Volts: d.Volts, Power: true, Light: true}
}

func run(c *Cabinet, w *World, e *Effect, hours float64) {
	for t := 0.0; t < hours*3600; t += stepSeconds {
		c.Step(w, e)
	}
}

func TestFirstLawOverADay(t *testing.T) {
	for seed := range uint64(8) {
		d := DrawDesign(rand.New(rand.NewPCG(seed, 1)), fleet.Kind(seed%4))
		c, w := NewCabinet(&d, 25, 0.5), bench(&d)
		run(c, w, &Effect{}, 24)
		out, in, stored := c.HeatOut, c.HeatWall+c.HeatInside+c.HeatDoor, c.Stored()
		run(c, w, &Effect{}, 24)
		out, in, stored = c.HeatOut-out, c.HeatWall+c.HeatInside+c.HeatDoor-in, c.Stored()-stored
		if miss := (in - out - stored) / out; math.Abs(miss) > 0.02 {
			t.Errorf("seed %d: in %.0f kJ, out %.0f kJ, stored %.0f kJ: %.1f %% is missing", seed, in/1e3, out/1e3, stored/1e3, 100*miss)
		}
		// The condenser cannot give off less than the coil took: the machine's
		// electrical work is on top (coefficient of performance between 0.7 and 5).
		if cop := d.Capacity / (c.CompWatts + 1); c.Running && (cop < 0.7 || cop > 5) {
			t.Errorf("seed %d: capacity %.0f W for %.0f W", seed, d.Capacity, c.CompWatts)
		}
	}
}

// seen is what a mechanic's instruments show, averaged over running time that is
// past its first minutes; below is how far evaporating temperature is below the air.
type seen struct{ airCoil, spread, lift, amps, runShare, gap, below float64 }

func look(c *Cabinet, w *World, e *Effect, hours float64) seen {
	var s seen
	n, on := 0.0, 0.0
	for t := 0.0; t < hours*3600; t += stepSeconds {
		c.Step(w, e)
		n++
		if !c.Running {
			continue
		}
		s.runShare++
		if c.onFor < 300 {
			continue
		}
		on++
		s.airCoil += c.Air - c.Coil[segments-1]
		s.spread += c.Coil[segments-1] - c.Coil[0]
		s.lift += c.Condensing - w.Room
		s.amps += c.CompAmps
		s.gap += c.Air - c.Supply
		s.below += c.Air - c.Evaporating
	}
	for _, x := range []*float64{&s.airCoil, &s.spread, &s.lift, &s.amps, &s.gap, &s.below} {
		*x /= math.Max(on, 1)
	}
	s.runShare /= n
	return s
}

// Signs of the residuals: Rossi & Braun 1997 for evaporating and condensing
// temperature; the rest is common practice, no source. Faults are looked at in
// several cabinets, and each must show in most of them: one machine may have the
// reserve to hide a fault.
func TestFaultsShowAsMechanicsKnowThem(t *testing.T) {
	if racetest.Enabled {
		t.Skip("ten times as slow, and the goroutines are those of other tests")
	}
	type check struct {
		name string
		e    Effect
		want func(well, ill seen, c *Cabinet) bool
	}
	checks := []check{
		{"leak: evaporating and condensing temperature fall, the coil's ends part, less current", Effect{ChargeLost: 0.55}, func(a, b seen, _ *Cabinet) bool {
			return b.below > a.below+2 && b.lift < a.lift && b.spread > a.spread+2 && b.amps < a.amps && b.runShare > a.runShare
		}},
		{"restriction: like a leak", Effect{Restriction: 0.6}, func(a, b seen, _ *Cabinet) bool {
			return b.below > a.below+2 && b.lift < a.lift && b.spread > a.spread+2
		}},
		{"worn valves: evaporating temperature rises, condensing falls, runs longer", Effect{ValveLoss: 0.5}, func(a, b seen, _ *Cabinet) bool {
			return b.below < a.below-0.5 && b.lift < a.lift && b.gap < a.gap && b.runShare > a.runShare*1.2
		}},
		{"fouled condenser: condensing temperature rises, and the current", Effect{CondBlocked: 0.75}, func(a, b seen, _ *Cabinet) bool {
			return b.lift > a.lift+3 && b.amps > a.amps && b.runShare >= a.runShare
		}},
		{"condenser fan stopped: 15 K more at least, and more current", Effect{CondFanStopped: true}, func(a, b seen, _ *Cabinet) bool {
			return b.lift > a.lift+15 && b.amps > a.amps
		}},
		{"evaporator fan stopped: coil far below the air, no air-side gap left to the condenser", Effect{EvapFanStopped: true}, func(a, b seen, _ *Cabinet) bool {
			return b.airCoil > a.airCoil+3 && b.lift < a.lift && b.amps < a.amps
		}},
		{"leaking door: runs longer", Effect{Leak: 0.004}, func(a, b seen, _ *Cabinet) bool { return b.runShare > a.runShare*1.2 }},
		{"thermostat welded: never stops, far too cold", Effect{StatOn: true}, func(a, b seen, c *Cabinet) bool {
			return b.runShare > 0.95 && c.Coldest() < 0.5
		}},
		{"thermostat dead: never runs, warm", Effect{StatOff: true}, func(a, b seen, c *Cabinet) bool { return b.runShare == 0 && c.Air > c.D.CutIn+2 }},
	}
	for _, k := range checks {
		good, all := 0, 0
		for seed := range uint64(6) {
			kind := fleet.Kind(seed % 3)
			d := DrawDesign(rand.New(rand.NewPCG(seed, 7)), kind)
			c, w := NewCabinet(&d, 25, 0.5), bench(&d)
			run(c, w, &Effect{}, 14)
			twin := *c
			a, b := look(&twin, w, &Effect{}, 10), look(c, w, &k.e, 10)
			all++
			if k.want(a, b, c) {
				good++
			} else {
				t.Logf("%s: seed %d %s: well %+v, ill %+v", k.name, seed, kindNames[kind], a, b)
			}
		}
		if good*10 < all*8 {
			t.Errorf("%s: %d of %d cabinets", k.name, good, all)
		}
	}
}

// A stalled motor heats its overload until that opens, and again when it has closed: common practice, no source.
func TestLockedRotorCyclesOnTheOverload(t *testing.T) {
	d := DrawDesign(rand.New(rand.NewPCG(3, 3)), fleet.GlassDoor)
	c, w := NewCabinet(&d, 25, 0.5), bench(&d)
	run(c, w, &Effect{}, 12)
	run(c, w, &Effect{StatOff: true}, 0.1) // what runs needs no starting torque
	e := Effect{StartLost: 1.1, StatOn: true}
	inrush := 0.0
	for range 6 * 720 {
		c.Step(w, &e)
		inrush = math.Max(inrush, c.CompAmps)
		if c.Running && c.onFor > 60 && c.offFor == 0 && c.Started {
			t.Fatal("started without starting torque")
		}
	}
	if c.Trips < 5 {
		t.Errorf("%d trips in six hours", c.Trips)
	}
	if inrush < 0.9*d.AmpsLocked {
		t.Errorf("inrush %.1f A, locked rotor is %.1f A", inrush, d.AmpsLocked)
	}
}

func TestLowChargeFrostsOnlyTheInlet(t *testing.T) {
	d := DrawDesign(rand.New(rand.NewPCG(5, 7)), fleet.GlassDoor)
	c, w := NewCabinet(&d, 25, 0.5), bench(&d)
	run(c, w, &Effect{}, 12)
	e := Effect{ChargeLost: 0.6, NoDefrost: true}
	var first, last float64
	for range 12 * 720 {
		c.Step(w, &e)
		first, last = math.Max(first, c.Frost[0]), math.Max(last, c.Frost[segments-1])
	}
	if first < 4*last || first < 1e-4 {
		t.Errorf("frost at the inlet %.4f kg, at the outlet %.4f kg", first, last)
	}
	if share := c.WettedShare(); share > 0.75 {
		t.Errorf("%.0f %% of the coil is wet", 100*share)
	}
}

func small(seed uint64) Options {
	o := DefaultOptions()
	o.Seed, o.Machines, o.Days, o.FaultShare = seed, 8, 1, 1
	return o
}

func TestSameSeedSameBytes(t *testing.T) {
	var runs [3][]byte
	for i, seed := range []uint64{9, 9, 10} {
		o := small(seed)
		o.Workers = 1 + i // the number of workers must not matter
		f, err := NewFleet(o)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if _, err := f.writeMessages(&b); err != nil {
			t.Fatal(err)
		}
		truth, err := json.Marshal(f.Truth())
		if err != nil {
			t.Fatal(err)
		}
		runs[i] = append(b.Bytes(), truth...)
	}
	if !bytes.Equal(runs[0], runs[1]) {
		t.Error("the same seed gave different messages")
	}
	if bytes.Equal(runs[0], runs[2]) {
		t.Error("another seed gave the same messages")
	}
}

func TestMessagesKeepTheContract(t *testing.T) {
	f, err := NewFleet(small(21))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	lines, err := f.writeMessages(&b)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	type line struct {
		Received time.Time       `json:"received"`
		Topic    string          `json:"topic"`
		Payload  json.RawMessage `json:"payload"`
	}
	type rec struct {
		Name *string  `json:"n"`
		Unit string   `json:"u"`
		V    *float64 `json:"v"`
		VB   *bool    `json:"vb"`
	}
	topic := regexp.MustCompile(`^cabinets/[A-Za-z0-9][A-Za-z0-9._-]{0,63}/[A-Za-z0-9][A-Za-z0-9._-]{0,63}/(readings|status)$`)
	dec, n, last := json.NewDecoder(z), 0, time.Time{}
	for dec.More() {
		var l line
		if err := dec.Decode(&l); err != nil {
			t.Fatalf("line %d: %v", n+1, err)
		}
		n++
		if !topic.MatchString(l.Topic) {
			t.Fatalf("line %d: topic %q", n, l.Topic)
		}
		if l.Received.Before(last) {
			t.Fatalf("line %d is older than the one before", n)
		}
		last = l.Received
		if path.Base(l.Topic) == "status" {
			if s := string(l.Payload); s != `"online"` && s != `"offline"` {
				t.Fatalf("status %s", s)
			}
			continue
		}
		var pack []rec
		if err := json.Unmarshal(l.Payload, &pack); err != nil || len(pack) == 0 {
			t.Fatalf("line %d: %v in %s", n, err, l.Payload)
		}
		for _, r := range pack {
			c, ok := collector.ChannelByName(*r.Name)
			if !ok || c.IsBool() != (r.VB != nil) || c.IsBool() == (r.V != nil) {
				t.Fatalf("line %d: record %+v", n, r)
			}
		}
	}
	if n != lines || n < 1000 {
		t.Errorf("%d lines, said %d", n, lines)
	}
	if _, err := fleet.Parse("fleet.yaml", []byte(f.YAML())); err != nil {
		t.Error(err)
	}
}

func TestEveryFaultOfTheCatalogueHasModes(t *testing.T) {
	for f := fault.EvaporatorFanStopped; f < fault.Unknown; f++ {
		if len(modes[f]) < 2 {
			t.Errorf("%s has %d modes", f, len(modes[f]))
		}
	}
}

// A fault has an effect only while it lasts, and its twin never has one.
func TestTwinLivesTheSameDaysWithoutTheFault(t *testing.T) {
	o := small(4)
	o.Machines, o.Days, o.Only = 4, 3, fault.ThermostatStuckOff
	f, err := NewFleet(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range f.Machines {
		m.Episodes = m.Episodes[:1]
		m.Episodes[0] = Episode{Fault: fault.ThermostatStuckOff, Mode: "dead", Onset: 2 * 86400, End: math.Inf(1), Peak: 1}
	}
	f.Advance(47 * time.Hour)
	for _, m := range f.Machines {
		if m.real.Air != m.twin.Air || m.real.EnergyWh != m.twin.EnergyWh {
			t.Errorf("%s: differs from its twin before the fault", m)
		}
	}
	f.Advance(25 * time.Hour)
	for _, m := range f.Machines {
		if m.real.Air < m.twin.Air+3 {
			t.Errorf("%s: %.1f °C, its twin %.1f °C", m, m.real.Air, m.twin.Air)
		}
		tr := m.record.episodes[0]
		if tr.material < 2*86400 || tr.material > 2.4*86400 {
			t.Errorf("%s: first effect at %.2f d", m, tr.material/86400)
		}
	}
}

func TestOptionsSayEverythingThatIsWrong(t *testing.T) {
	o := Options{Machines: 0, Days: 0, Interval: 4, Mix: Mix{1, 1, 1}, FaultShare: 2, Only: fault.Unknown}
	err := o.Validate()
	if err == nil {
		t.Fatal("accepted")
	}
	if n := bytes.Count([]byte(err.Error()), []byte("\n")) + 1; n != 6 {
		t.Errorf("%d problems of 6 in:\n%v", n, err)
	}
}

func BenchmarkStep(b *testing.B) {
	d := DrawDesign(rand.New(rand.NewPCG(1, 1)), fleet.GlassDoor)
	c, w, e := NewCabinet(&d, 25, 0.5), bench(&d), &Effect{}
	b.ReportAllocs()
	for b.Loop() {
		c.Step(w, e)
	}
}

// A door is mostly left open by whoever has just filled the machine, by some of its
// width; what the switch does not see it does not switch the fan by either.
func TestDoorsAreLeftOpenByWhoFilledTheMachine(t *testing.T) {
	if racetest.Enabled {
		t.Skip("ten times as slow, and the goroutines are those of other tests")
	}
	o := DefaultOptions()
	o.Machines, o.Days, o.FaultShare, o.SecondShare, o.Only = 120, 6, 1, 0, fault.DoorOpen
	f, err := NewFleet(o)
	if err != nil {
		t.Fatal(err)
	}
	after, all := 0, 0
	for _, m := range f.Machines {
		for i := range m.Episodes {
			ep := &m.Episodes[i]
			if ep.Fault != fault.DoorOpen { // an open front has no door
				continue
			}
			all++
			if slices.ContainsFunc(m.place.events, func(ev event) bool { return ev.kind == restock && ev.until == ep.Onset }) {
				after++
			}
			var e Effect
			ep.Apply(&e, ep.Onset)
			if e.DoorOpen < 0.05 || e.DoorOpen > 1 || e.doorSeen() != (ep.Mode == "seen") {
				t.Errorf("%s %s stands open by %.2f, seen %t", m.ID, ep.Mode, e.DoorOpen, e.doorSeen())
			}
		}
	}
	if share := float64(after) / float64(all); share < 0.4 || share > 0.75 {
		t.Errorf("%d of %d doors were left open at the end of a filling", after, all)
	}
}

// Who repairs a machine whose coil has iced over thaws it, and a coil that ices over
// without a fault is nobody's false alarm.
func TestIceIsSeen(t *testing.T) {
	o := small(6)
	o.Machines, o.Days, o.Only = 2, 3, fault.CoilIced
	f, err := NewFleet(o)
	if err != nil {
		t.Fatal(err)
	}
	const ends = 2 * 86400
	repaired, well := f.Machines[0], f.Machines[1]
	repaired.Episodes = []Episode{{Fault: fault.CoilIced, Mode: "drain", Onset: 86400, End: ends, Peak: 1}}
	well.Episodes, well.twin = nil, nil
	for _, m := range f.Machines {
		m.begin(&o)
	}
	ice := func(m *Machine) {
		for i := range m.real.Frost {
			m.real.Frost[i] = m.real.D.FrostFull
		}
	}
	f.Advance(47 * time.Hour)
	ice(repaired)
	ice(well)
	f.Advance(time.Hour - time.Minute)
	if repaired.real.Blocked() < icedToTheEye {
		t.Fatalf("%s: closed by ice to %.2f: nothing is tried", repaired, repaired.real.Blocked())
	}
	f.Advance(2 * time.Minute)
	if b := repaired.real.Blocked(); b > 0.05 {
		t.Errorf("%s: repaired, and closed by ice to %.2f", repaired, b)
	}
	f.Advance(24*time.Hour - time.Minute)
	said := func(m *Machine) bool {
		return slices.ContainsFunc(m.truth(o.Days).DontCare, func(d map[string]any) bool { return d["reason"] == "coil iced over without a fault" })
	}
	if !said(well) || said(repaired) {
		t.Errorf("iced over without a fault: %t of one that did, %t of one that has a fault", said(well), said(repaired))
	}
}
