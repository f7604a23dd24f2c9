package feature_test

import (
	"math"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect/feature"
)

// setTracker returns the tracker of a machine whose fleet file says what its
// thermostat is set to.
func setTracker(setpoint quantity.Celsius, differential quantity.Kelvin) feature.Tracker {
	m := spec()
	m.Setpoint, m.Differential = &setpoint, &differential
	return feature.New(m)
}

// kelvin undoes the compression of a feature that stands against what is set.
func kelvin(v *feature.Vector, i feature.ID) float64 { return z(v, i) * 0.5 }

// A thermostat that creeps takes the machine's normal along, for nothing looks
// wrong from one hour to the next. What it is set to stays where it is.
func TestWhatIsSetDoesNotCreep(t *testing.T) {
	tr := setTracker(3.5, 3) // as the cabinet of these tests is: from 2 to 5 °C
	c := newCabinet(41)
	c.live(&tr, 3, 1)
	v := fill(&tr, c.at)
	for _, i := range [...]feature.ID{feature.SetIn, feature.SetOut, feature.SetAir, feature.SetAirSlow} {
		if k := kelvin(v, i); !(math.Abs(k) < 1) {
			t.Errorf("%v of a thermostat that does what it is set to: %.1f K", i, k)
		}
	}
	const crept = 3.0
	for c.warm < crept {
		c.live(&tr, 1.0/24, 1)
		c.warm += 0.03
	}
	v = fill(&tr, c.at)
	if own := z(v, feature.CutInMoved); own > 3 {
		t.Errorf("against its own normal it starts %.1f standard deviations too warm: it does not creep slowly enough to be a trial", own)
	}
	for _, i := range [...]feature.ID{feature.SetIn, feature.SetOut, feature.SetAir, feature.SetAirSlow} {
		if k := kelvin(v, i); math.Abs(k-crept) > 0.8 {
			t.Errorf("%v: %.1f K above what is set, want about %.1f", i, k, crept)
		}
	}
	n, ok := tr.Note(feature.SetIn, v)
	if want := "it is set to start at 5.0 °C"; !ok || !strings.Contains(n.Text(), want) {
		t.Errorf("%q, want %q in it", n.Text(), want)
	}
	if now, set, ok := tr.Keeps(); !ok || set != 3.5 || math.Abs(now-3.5-crept) > 0.8 {
		t.Errorf("keeps %.1f °C for %.1f (%v), want about %.1f for 3.5", now, set, ok, 3.5+crept)
	}
}

// A fleet file that does not say what a thermostat is set to is no evidence.
func TestNothingSetSaysNothing(t *testing.T) {
	c := newCabinet(43)
	tr := c.tracker()
	c.live(&tr, 2, 1)
	half := spec()
	setpoint := quantity.Celsius(3.5)
	half.Setpoint = &setpoint
	without := feature.New(half)
	d := newCabinet(43)
	d.live(&without, 2, 1)
	v, w := fill(&tr, c.at), fill(&without, d.at)
	for _, i := range [...]feature.ID{feature.SetIn, feature.SetOut, feature.SetAir, feature.SetAirSlow} {
		if v.Has[i] {
			t.Errorf("%v of a machine of which nothing is said", i)
		}
	}
	for _, i := range [...]feature.ID{feature.SetIn, feature.SetOut} {
		if w.Has[i] {
			t.Errorf("%v of a machine whose differential is not said", i)
		}
	}
	if !w.Has[feature.SetAir] || !w.Has[feature.SetAirSlow] {
		t.Error("the setpoint alone says what air is wanted")
	}
}

// Where nobody says what is set, the days before tell what creeps, though a setpoint
// that seems to have been moved starts the machine's normal anew.
func TestAirThatCreepsHasMoved(t *testing.T) {
	tr := feature.New(spec()) // of sealed beverages, which keep up to 7 °C
	c := newCabinet(47)
	c.live(&tr, 4, 1)
	v := fill(&tr, c.at)
	if k := kelvin(v, feature.AirMoved); !(math.Abs(k) < 0.3) {
		t.Errorf("moved by %.1f K in ordinary days", k)
	}
	if room := float64(v.Value[feature.WarmRoom]); math.Abs(room-3.5) > 0.4 { // the air of these tests averages 3.5 °C
		t.Errorf("%.1f K to a limit of 7 °C, want 3.5", room)
	}
	for c.warm < 3 {
		c.live(&tr, 1.0/24, 1)
		c.warm += 0.1
		tr.Resettle()
	}
	v = fill(&tr, c.at)
	if k := kelvin(v, feature.AirMoved); k < 1.5 {
		t.Errorf("moved by %.1f K after it crept by 3 K in 30 h; its own normal has crept along: %.1f standard deviations", k, z(v, feature.AirMean))
	}
	if room := float64(v.Value[feature.WarmRoom]); math.Abs(room-0.5) > 0.6 {
		t.Errorf("%.1f K to the limit, want 0.5", room)
	}
	n, ok := tr.Note(feature.AirMoved, v)
	if !ok || !strings.Contains(n.Text(), "over 5 h; over the last days it was 3.") {
		t.Errorf("%q", n.Text())
	}
	c.live(&tr, 0.5, 0) // the mean comes up
	v = fill(&tr, c.at)
	now := kelvin(v, feature.AirMoved)
	filled, room := tr, v.Value[feature.WarmRoom]
	warm := *c
	warm.warm += 4
	warm.live(&filled, 0.5/24, 0)
	if took := room - fill(&filled, warm.at).Value[feature.WarmRoom]; took > 1 {
		t.Errorf("half an hour with the door open took %.1f K of the room to the limit", took)
	}
	tr.Rebase(collector.CabinetAir, 2)
	c.warm += 2
	c.live(&tr, 0.2, 0)
	if k := kelvin(fill(&tr, c.at), feature.AirMoved); math.Abs(k-now) > 0.4 {
		t.Errorf("another probe, which reads 2 K higher: moved by %.1f K, before %.1f", k, now)
	}
}
