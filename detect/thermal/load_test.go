package thermal_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"coilward/collector/fleet"
	"coilward/detect/thermal"
)

// cycler is the reference cabinet under a thermostat on its air, with gains
// inside of w W, and a capacity that falls with ambient. Its run fraction in the
// long run is (UA (Tamb − Ta) + W) / q(Tamb), the closed form of two nodes at rest.
type cycler struct {
	nodes
	w, q25, fall float64 // W; W at 25 °C; 1/K
	ta, tp       float64
	on           bool
	since        float64 // h
	last         float64 // h of the state before
}

func newCycler() *cycler {
	return &cycler{nodes: reference, w: 30, q25: 330, fall: 0.012, ta: 4, tp: 3.5}
}

func (c *cycler) capacity(amb float64) float64 { return c.q25 * (1 - c.fall*(amb-25)) }

// minute lets a minute pass and returns what is seen at its end.
func (c *cycler) minute(amb float64) thermal.Seen {
	for range 60 {
		q := 0.0
		if c.on {
			q = c.capacity(amb)
		}
		flow := c.h * (c.ta - c.tp)
		c.ta += (c.ua*(amb-c.ta) - flow + c.w - q) / c.air
		c.tp += flow / c.can
	}
	c.since += 1.0 / 60
	if c.on && c.ta <= 2 || !c.on && c.ta >= 5 {
		c.on, c.last, c.since = !c.on, c.since, 0
	}
	return thermal.Seen{Hours: 1.0 / 60, Air: c.ta, Amb: amb, Running: c.on, RanFor: c.last, StoodFor: c.last, Well: 1}
}

// see plays days and fills in how long the last run and the last stop were.
func (c *cycler) see(l *thermal.Load, days float64, room func(h float64) float64) {
	ran, stood := 0.0, 0.0
	for i := range int(days * 1440) {
		was := c.on
		s := c.minute(room(float64(i) / 60))
		if c.on != was {
			if was {
				ran = c.last
			} else {
				stood = c.last
			}
		}
		s.RanFor, s.StoodFor = ran, stood
		l.Observe(&s)
	}
}

func swing(h float64) float64 { return 24 + 4*math.Sin(2*math.Pi*h/24) + 2*math.Sin(2*math.Pi*h/100) }

// The run fraction that is learned is that of the closed form, in the rooms that
// were seen.
func TestRunFractionOfTwoNodes(t *testing.T) {
	c, l := newCycler(), thermal.NewLoad(fleet.GlassDoor)
	c.see(&l, 6, swing)
	for _, amb := range []float64{21, 24, 28} {
		want := (c.ua*(amb-3.5) + c.w) / c.capacity(amb)
		if got := l.Fraction(amb, 3.5); math.Abs(got-want) > 0.015 {
			t.Errorf("%.0f °C: run fraction %.3f, want %.3f", amb, got, want)
		}
	}
}

// A quarter of the capacity lost shows as such while it still cycles, and at most
// as what the room leaves to see when it runs on and on.
func TestCapacityShare(t *testing.T) {
	for _, c := range []struct{ lost, want, slack float64 }{{0, 1, 0.05}, {0.25, 0.75, 0.06}, {0.45, 0.55, 0.07}} {
		p, l := newCycler(), thermal.NewLoad(fleet.GlassDoor)
		p.see(&l, 5, swing)
		p.q25 *= 1 - c.lost
		p.see(&l, 1.5, func(h float64) float64 { return swing(h + 120) })
		if got := l.CapacityShare(); math.Abs(got-c.want) > c.slack {
			t.Errorf("%.0f %% lost: share %.2f, want %.2f", c.lost*100, got, c.want)
		}
	}
	p, l := newCycler(), thermal.NewLoad(fleet.GlassDoor)
	if !math.IsNaN(l.CapacityShare()) {
		t.Error("a share before anything was seen")
	}
	p.see(&l, 5, swing)
	p.q25 *= 0.3 // less than the load: it runs on
	p.see(&l, 1.5, swing)
	if got := l.CapacityShare(); got > 0.5 {
		t.Errorf("70 %% lost: share %.2f", got)
	}
}

// More load in the same room is no loss of capacity.
func TestLoadIsNoLossOfCapacity(t *testing.T) {
	p, l := newCycler(), thermal.NewLoad(fleet.GlassDoor)
	p.see(&l, 5, swing)
	p.ua *= 1.5
	p.see(&l, 1, swing)
	if got := l.CapacityShare(); math.Abs(got-1) > 0.1 {
		t.Errorf("a leaking door: share %.2f, want 1", got)
	}
}

// What is seen while it is not well teaches nothing.
func TestIllDaysTeachNothing(t *testing.T) {
	p, l := newCycler(), thermal.NewLoad(fleet.GlassDoor)
	p.see(&l, 5, swing)
	before := l.Fraction(30, 3.5)
	p.q25 *= 0.6
	ran, stood := 0.0, 0.0
	for i := range 2 * 1440 {
		was := p.on
		s := p.minute(swing(float64(i) / 60))
		if p.on != was && was {
			ran = p.last
		} else if p.on != was {
			stood = p.last
		}
		s.RanFor, s.StoodFor, s.Well = ran, stood, 0
		l.Observe(&s)
	}
	if after := l.Fraction(30, 3.5); after != before {
		t.Errorf("run fraction expected at 30 °C: %.3f, then %.3f", before, after)
	}
}

// Recursive least squares with all weights equal and a wide prior is least
// squares: against the normal equations solved at once.
func TestRecursiveEqualsBatch(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var l thermal.Load
	l.Widen()
	var ata [3][4]float64
	for range 400 {
		amb := 18 + 16*rng.Float64()
		dT := amb - 3.5 + rng.NormFloat64()*0.2
		phi := (0.012*dT + 0.1) / (1 - 0.01*(amb-25))
		phi += 0.01 * rng.NormFloat64()
		l.Teach(phi, dT, amb)
		x := [3]float64{dT, 1, phi * (amb - 25)}
		for i := range x {
			for j := range x {
				ata[i][j] += x[i] * x[j]
			}
			ata[i][3] += x[i] * phi
		}
	}
	for i := range ata { // Gauss
		for j := i + 1; j < 3; j++ {
			f := ata[j][i] / ata[i][i]
			for k := i; k < 4; k++ {
				ata[j][k] -= f * ata[i][k]
			}
		}
	}
	var b [3]float64
	for i := 2; i >= 0; i-- {
		b[i] = ata[i][3]
		for k := i + 1; k < 3; k++ {
			b[i] -= ata[i][k] * b[k]
		}
		b[i] /= ata[i][i]
	}
	u, w, c, _ := l.Line()
	if math.Abs(u-b[0]) > 2e-4 || math.Abs(w-b[1]) > 5e-3 || math.Abs(c-b[2]) > 5e-4 {
		t.Errorf("recursive %.5f %.4f %.5f, at once %.5f %.4f %.5f", u, w, c, b[0], b[1], b[2])
	}
}
