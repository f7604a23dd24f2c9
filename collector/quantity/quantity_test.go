package quantity

import (
	"math"
	"testing"
	"time"
)

// TestFahrenheit uses the fixed pairs of food rules and physics: 41 °F is 5 °C
// and 70 °F is 21 °C rounded in the FDA Food Code, 3-501.16 and 3-501.19; water
// freezes at 32 °F and boils at 212 °F; the scales meet at −40.
func TestFahrenheit(t *testing.T) {
	for _, pair := range []struct {
		c Celsius
		f float64
	}{{5, 41}, {0, 32}, {100, 212}, {-40, -40}} {
		if got := pair.c.Fahrenheit(); got != pair.f {
			t.Errorf("%v °C is %v °F, want %v", pair.c, got, pair.f)
		}
		if got := CelsiusOfFahrenheit(pair.f); got != pair.c {
			t.Errorf("%v °F is %v °C, want %v", pair.f, got, pair.c)
		}
	}
	if got := CelsiusOfFahrenheit(70); math.Round(float64(got)) != 21 {
		t.Errorf("70 °F is %v °C, want 21 rounded", got)
	}
}

func TestDifferenceHasNoOffset(t *testing.T) {
	d := Celsius(8).Sub(3)
	if d != 5 || d.Fahrenheit() != 9 || KelvinOfFahrenheit(9) != 5 {
		t.Errorf("8 °C − 3 °C is %v K, %v °F", d, d.Fahrenheit())
	}
	if got := Celsius(3).Add(d); got != 8 {
		t.Errorf("3 °C + 5 K is %v °C", got)
	}
	// The practice of the trade: an evaporator 20 °F below the box is 11 K.
	if got := KelvinOfFahrenheit(20); math.Round(float64(got)) != 11 {
		t.Errorf("a difference of 20 °F is %v K", got)
	}
}

func TestEnergy(t *testing.T) {
	e := Watt(150).Over(90 * time.Minute)
	if e != 225 || e.Joules() != 810000 || e.KilowattHours() != 0.225 {
		t.Errorf("150 W for 90 min is %v Wh, %v J, %v kWh", e, e.Joules(), e.KilowattHours())
	}
}

func TestRatios(t *testing.T) {
	if got := RPM(1500).Hertz(); got != 25 {
		t.Errorf("1500/min is %v Hz", got)
	}
	if got := RelativeHumidity(54).Ratio(); got != 0.54 {
		t.Errorf("54 %%RH is %v", got)
	}
}
