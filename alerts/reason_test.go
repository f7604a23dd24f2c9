package alerts

import (
	"strings"
	"testing"
	"time"

	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// TestReasonStaysTrue: nobody says anything for a day, and the line keeps up: time
// left shrinks, what was forecast is called a forecast, what was measured is said
// only while it is so.
func TestReasonStaysTrue(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	f := measured(s.raise(mins(0), "s0", "cola", fault.EvaporatorFanStopped, .95, 5*time.Hour), 4)
	q.Apply(f)
	q.Advance(mins(10))
	says(t, q, "A-F-000001", "4 h 50 min left")
	q.Advance(mins(250))
	says(t, q, "A-F-000001", "50 min left")
	q.Advance(mins(320))
	says(t, q, "A-F-000001", "by the forecast over its limit for 20 min", "not: left")
	// Somebody looks: it is not so bad, or it is worse.
	a := q.Alerts()[0]
	if got := a.WhyAt(mins(320), Live{true, 6.5}); !strings.Contains(got, "still within its limit") || strings.Contains(got, "over") {
		t.Errorf("with 6.5 °C measured: %q", got)
	}
	if got := a.WhyAt(mins(320), Live{true, 7.4}); !strings.Contains(got, "over its limit,") || strings.Contains(got, "forecast") { // since when, nobody knows
		t.Errorf("with 7.4 °C measured: %q", got)
	}
	q.Apply(outSince(next(f, mins(330), detect.Revised), 7.5, mins(310)))
	says(t, q, "A-F-000001", "over its limit for 20 min", "not:forecast")
	q.Advance(mins(370))
	says(t, q, "A-F-000001", "over its limit for 1 h")
	g := measured(next(next(f, mins(400), detect.Revised), mins(400), detect.Revised), 6)
	g.LimitAt, g.LimitEarly, g.LimitLate, g.LimitSide = 0, 0, 0, detect.NoSide
	q.Apply(g)
	says(t, q, "A-F-000001", "not in danger", "not:over its limit")
	q.Apply(next(g, mins(410), detect.Cleared))
	q.Advance(mins(500))
	says(t, q, "A-F-000001", "back to normal", "not:left", "not:drive")
}

// TestMeasuredCountsBeforeForecast: the forecast has the product over its limit as it
// is said, and it was measured within.
func TestMeasuredCountsBeforeForecast(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	f := measured(s.raise(mins(0), "s0", "cola", fault.EvaporatorFanStopped, .95, time.Hour), 6.8)
	f.LimitAt, f.LimitEarly, f.LimitLate = mins(0), 0, 0
	q.Apply(f)
	q.Advance(mins(30))
	says(t, q, "A-F-000001", "by the forecast over its limit")
}

func TestColdSideIsSaidAsCold(t *testing.T) {
	q, s := New(Options{Fleet: larder()}), &story{}
	f := measured(s.raise(mins(0), "s0", "cola", fault.ThermostatStuckOn, .95, time.Hour), 1)
	f.LimitSide = detect.Cold
	q.Apply(f)
	q.Advance(mins(5))
	says(t, q, "A-F-000001", "55 min until what is next to the cold air freezes")
	q.Advance(mins(90))
	says(t, q, "A-F-000001", "by the forecast frozen next to the cold air for 30 min")
	g := outSince(next(f, mins(95), detect.Revised), -2, mins(80))
	g.LimitSide = detect.Cold
	q.Apply(g)
	says(t, q, "A-F-000001", "below its cold limit for 15 min")
}

// TestNoStandingContradictsTheProduct tries every combination of what was forecast,
// found and is measured: the line never says out of limits when the product at hand
// is within, nor the other way round.
func TestNoStandingContradictsTheProduct(t *testing.T) {
	for _, limit := range []int{0, -60, 60} {
		for _, out := range []int{0, -30} {
			for _, now := range []quantity.Celsius{-3, 3, 9} {
				r := Reason{Limits: fleet.SealedBeverage.Limits(), Machines: 1, Sick: 1}
				if limit != 0 {
					r.LimitAt, r.Side = mins(100+limit), detect.Warm
				}
				if out != 0 {
					r.OutSince = mins(100 + out)
				}
				line := r.Line(mins(100), Live{true, now})
				isOut := !r.Limits.Holds(now)
				if says := strings.Contains(line, "over its limit") || strings.Contains(line, "below its cold limit"); says != isOut {
					t.Errorf("limit %d, out %d, product %v: %q", limit, out, now, line)
				}
			}
		}
	}
}

// The bulk of the product within its limits does not say that what stands next to the
// cold air has not frozen.
func TestBulkSaysNothingOfWhatFreezesFirst(t *testing.T) {
	r := Reason{Fault: fault.CoilIced, LimitAt: mins(60), Side: detect.Cold, Limits: fleet.SealedBeverage.Limits()}
	within := Live{Known: true, Product: 3}
	if f := r.Facts(mins(90), within); f.Standing != Expected || f.Out != 30*time.Minute {
		t.Errorf("cold: %v for %v", f.Standing, f.Out)
	}
	r.Side = detect.Warm
	if f := r.Facts(mins(90), within); f.Standing != TimeLeft || f.Left != 0 {
		t.Errorf("warm: %v, %v left", f.Standing, f.Left)
	}
}
