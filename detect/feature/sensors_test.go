package feature_test

import (
	"math"
	"testing"

	"coilward/collector"
	"coilward/detect/feature"
)

// broken returns what a broken channel does to a lively cabinet's readings
// from minute 0 on.
var broken = []struct {
	name    string
	channel collector.Channel
	spoil   func(r *collector.Reading, m int)
	within  int // minutes in which it must be suspected
}{
	{"coil outlet stands dead still", collector.CoilOut, func(r *collector.Reading, _ int) { r.Value[collector.CoilOut] = -4.2 }, 130},
	{"air stands dead still", collector.CabinetAir, func(r *collector.Reading, _ int) { r.Value[collector.CabinetAir] = 3.1 }, 130},
	{"condenser jumps to and fro", collector.Condenser, func(r *collector.Reading, m int) { r.Value[collector.Condenser] = 30 + 60*float64(m%2) }, 10},
	{"air jumps to and fro", collector.CabinetAir, func(r *collector.Reading, m int) { r.Value[collector.CabinetAir] = 4 + 40*float64(m%2) }, 10},
	{"coil inlet is gone", collector.CoilIn, func(r *collector.Reading, _ int) { r.Has &^= 1 << collector.CoilIn }, 90},
	{"current says nothing while the air is cooled", collector.CompressorCurrent, func(r *collector.Reading, _ int) { r.Value[collector.CompressorCurrent] = 0 }, 150},
	{"current stands dead still while it runs", collector.CompressorCurrent, func(r *collector.Reading, _ int) { r.Value[collector.CompressorCurrent] = 1.9 }, 220},
	{"current is gone", collector.CompressorCurrent, func(r *collector.Reading, _ int) { r.Has &^= 1 << collector.CompressorCurrent }, 90},
}

func TestBrokenChannelsAreSuspected(t *testing.T) {
	for _, b := range broken {
		t.Run(b.name, func(t *testing.T) {
			c := newCabinet(101)
			tr := c.tracker()
			c.live(&tr, 4, 1)
			if tr.Suspect(b.channel) {
				t.Fatal("suspected before it broke")
			}
			suspected := -1
			for m := range b.within + 60 {
				r := c.next()
				b.spoil(r, m)
				tr.Observe(r, 1)
				if tr.Suspect(b.channel) && suspected < 0 {
					suspected = m
				}
				for other := range collector.Channel(collector.NumChannels) {
					if other != b.channel && tr.Suspect(other) {
						t.Fatalf("minute %d: %v suspected", m, other)
					}
				}
			}
			if suspected < 0 || suspected > b.within {
				t.Errorf("suspected after %d min, want within %d", suspected, b.within)
			}
			if worst, odd := tr.Oddest(); worst != b.channel || odd < 3 {
				t.Errorf("the oddest channel is %v (%.1f)", worst, odd)
			}
		})
	}
}

// What is not believed does not move what is learned.
func TestSuspectAirIsNotUsed(t *testing.T) {
	c := newCabinet(103)
	tr := c.tracker()
	c.live(&tr, 4, 1)
	in, out, _ := tr.Band()
	for m := range 24 * 60 {
		r := c.next()
		r.Value[collector.CabinetAir] = 4 + 40*float64(m%2)
		tr.Observe(r, 1)
	}
	if i, o, _ := tr.Band(); math.Abs(i-in) > 1 || math.Abs(o-out) > 1 {
		t.Errorf("band moved from %.2f … %.2f to %.2f … %.2f °C by a probe that jumps", in, out, i, o)
	}
	if v := fill(&tr, c.at); v.Has[feature.AirCoilIn] {
		t.Errorf("the coil is still held against an air that is not believed")
	}
}

// A week of ordinary life, readings to the tenth of a kelvin and all, raises
// no suspicion of anything.
func TestLivelyChannelsAreNot(t *testing.T) {
	for _, step := range []float64{0.001, 0.1, 0.5} {
		c := newCabinet(107)
		tr := c.tracker()
		for range 7 * 1440 {
			r := c.next()
			for ch := range r.Has.All {
				if ch.IsTemperature() {
					r.Value[ch] = math.Round(r.Value[ch]/step) * step
				}
			}
			tr.Observe(r, 1)
			for ch := range r.Has.All {
				if tr.Suspect(ch) {
					t.Fatalf("steps of %v K: %v suspected", step, ch)
				}
			}
		}
	}
}

// A room at rest is no broken probe: ambient may stand still for hours.
func TestAmbientMayStandStill(t *testing.T) {
	c := newCabinet(109)
	tr := c.tracker()
	c.live(&tr, 2, 1)
	for range 5 * 60 {
		r := c.next()
		r.Value[collector.Ambient] = 22
		tr.Observe(r, 1)
	}
	if tr.Suspect(collector.Ambient) {
		t.Error("five hours of the same ambient are suspected")
	}
}

// Probes are exchanged: a channel that lives again is believed again.
func TestSuspicionFades(t *testing.T) {
	c := newCabinet(113)
	tr := c.tracker()
	c.live(&tr, 3, 1)
	for m := range 240 {
		r := c.next()
		r.Value[collector.Condenser] = 30 + 60*float64(m%2)
		tr.Observe(r, 1)
	}
	if !tr.Suspect(collector.Condenser) {
		t.Fatal("not suspected")
	}
	c.live(&tr, 0.6, 1)
	if tr.Suspect(collector.Condenser) {
		t.Error("still suspected 14 h after the probe was exchanged")
	}
}
