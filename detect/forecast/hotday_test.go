package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"coilward/collector/fleet"
	"coilward/detect/forecast"
	"coilward/detect/thermal"
)

// machine is a cabinet at rest in the mean: it runs for the share of each half
// hour that the closed form of two nodes asks for,
// φ = (UA (Tamb − Ta) + W) / (q25 (1 − c (Tamb − 25))).
type machine struct{ ua, w, q25, c float64 }

const air = 3.5 // °C

func (m machine) fraction(amb float64) float64 {
	return (m.ua*(amb-air) + m.w) / (m.q25 * (1 - m.c*(amb-25)))
}

// limit is the ambient at which the fraction is 1.
func (m machine) limit() float64 {
	return (m.q25*(1+25*m.c) + m.ua*air - m.w) / (m.ua + m.q25*m.c)
}

// watch lets a model see days of the machine in a room.
func (m machine) watch(l *thermal.Load, days float64, room func(h float64) float64, noise func() float64) {
	const step = 1.0 / 60
	left, on := 0.0, false
	ran, stood := 0.0, 0.0
	for h := 0.0; h < days*24; h += step {
		if left <= 0 {
			f := math.Min(math.Max(m.fraction(room(h))+noise(), 0.02), 0.98)
			if on = !on; on {
				left = 0.5 * f
				ran = left
			} else {
				left = 0.5 * (1 - f)
				stood = left
			}
		}
		left -= step
		l.Observe(&thermal.Seen{Hours: step, Air: air, Amb: room(h), Running: on, RanFor: ran, StoodFor: stood, Well: 1})
	}
}

func day(mean, swing float64) func(h float64) float64 {
	return func(h float64) float64 { return mean + swing*math.Sin(2*math.Pi*h/24) }
}

// In a room that shows much the limit is that of the closed form, and what is
// said of its uncertainty holds.
func TestHoldOfTheClosedForm(t *testing.T) {
	m := machine{ua: 5, w: 30, q25: 330, c: 0.012}
	l := thermal.NewLoad(fleet.GlassDoor)
	m.watch(&l, 14, day(27, 9), func() float64 { return 0 })
	h := forecast.Hold(&l, air)
	if !h.Known || math.Abs(h.Limit-m.limit()) > 2 || h.SD > 6 {
		t.Errorf("%+v, want %.1f °C", h, m.limit())
	}
}

// Over many machines, rooms and days the true limit lies within the standard
// deviation as often as it says: within two of them nearly always.
func TestHoldIsHonest(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 5))
	in1, in2, n, wide := 0, 0, 0, 0.0
	for range 60 {
		m := machine{ua: 3 + 3*r.Float64(), w: 15 + 40*r.Float64(), c: 0.008 + 0.008*r.Float64()}
		f := 0.3 + 0.3*r.Float64()
		m.q25 = (m.ua*20.5 + m.w) / f
		l := thermal.NewLoad(fleet.GlassDoor)
		m.watch(&l, 4, day(20+6*r.Float64(), 0.5+3*r.Float64()), func() float64 { return 0.06 * r.NormFloat64() })
		h := forecast.Hold(&l, air)
		if !h.Known {
			continue
		}
		z := math.Abs(h.Limit-math.Min(m.limit(), 70)) / h.SD
		n++
		wide += h.SD
		if z < 1 {
			in1++
		}
		if z < 2 {
			in2++
		}
	}
	t.Logf("%d of 60 known, sd %.1f K; within one %d, within two %d", n, wide/float64(n), in1, in2)
	if n < 40 || float64(in1) < 0.6*float64(n) || float64(in2) < 0.93*float64(n) {
		t.Errorf("of %d known limits %d lie within one standard deviation and %d within two", n, in1, in2)
	}
}

// Nothing is said before a day of whole cycles.
func TestNotKnownYet(t *testing.T) {
	m := machine{ua: 5, w: 30, q25: 330, c: 0.012}
	l := thermal.NewLoad(fleet.GlassDoor)
	if forecast.Hold(&l, air).Known {
		t.Error("known of a machine that was never seen")
	}
	m.watch(&l, 0.8, day(24, 2), func() float64 { return 0 })
	if forecast.Hold(&l, air).Known {
		t.Error("known within a day")
	}
	m.watch(&l, 3, day(24, 2), func() float64 { return 0 })
	if h := forecast.Hold(&l, air); !h.Known {
		t.Errorf("not known after days: %+v", h)
	}
}

// More load or less capacity never raises the limit by more than the estimate's
// own uncertainty, and a colder band never at all.
func TestWorseMachineNeverHoldsHotter(t *testing.T) {
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		if n++; n > 25 {
			return // each is days of a machine
		}
		f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		m := machine{ua: f("ua", 3, 7), w: f("w", 10, 60), q25: f("q", 250, 600), c: f("c", 0.006, 0.018)}
		worse := m
		switch rapid.IntRange(0, 2).Draw(t, "what") {
		case 0:
			worse.ua *= f("by", 1.3, 1.6)
		case 1:
			worse.w += f("more", 25, 60)
		case 2:
			worse.q25 *= f("by", 0.6, 0.8)
		}
		if worse.fraction(30) > 0.9 {
			t.Skip("it would not cycle")
		}
		hold := func(m machine) (h, cold forecast.HotDay) {
			l := thermal.NewLoad(fleet.GlassDoor)
			m.watch(&l, 4, day(24, 5), func() float64 { return 0 })
			return forecast.Hold(&l, air), forecast.Hold(&l, air-1)
		}
		a, cold := hold(m)
		b, _ := hold(worse)
		if b.Limit > a.Limit+0.3*a.SD {
			t.Fatalf("limit %.2f ± %.1f °C, of the worse machine %.2f", a.Limit, a.SD, b.Limit)
		}
		if cold.Limit > a.Limit {
			t.Fatalf("limit %.2f °C, of a colder band %.2f", a.Limit, cold.Limit)
		}
	})
}
