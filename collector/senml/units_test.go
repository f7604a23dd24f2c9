package senml

import (
	"math"
	"testing"
)

// TestSecondaryUnits holds the table against RFC 8798, table 2: value in the
// SenML unit = value · scale + offset. Both examples of its section 4 are here.
func TestSecondaryUnits(t *testing.T) {
	for _, row := range []struct {
		secondary, primary string
		scale, offset      float64
	}{
		{"ms", "s", 1. / 1000, 0}, {"min", "s", 60, 0}, {"h", "s", 3600, 0}, {"MHz", "Hz", 1000000, 0},
		{"kW", "W", 1000, 0}, {"kVA", "VA", 1000, 0}, {"kvar", "var", 1000, 0}, {"Ah", "C", 3600, 0},
		{"Wh", "J", 3600, 0}, {"kWh", "J", 3600000, 0}, {"varh", "vars", 3600, 0},
		{"kvarh", "vars", 3600000, 0}, {"kVAh", "VAs", 3600000, 0}, {"Wh/km", "J/m", 3.6, 0},
		{"KiB", "B", 1024, 0}, {"GB", "B", 1e9, 0}, {"Mbit/s", "bit/s", 1000000, 0},
		{"B/s", "bit/s", 8, 0}, {"MB/s", "bit/s", 8000000, 0}, {"mV", "V", 1. / 1000, 0},
		{"mA", "A", 1. / 1000, 0}, {"dBm", "dBW", 1, -30}, {"ug/m3", "kg/m3", 1e-9, 0},
		{"mm/h", "m/s", 1. / 3600000, 0}, {"m/h", "m/s", 1. / 3600, 0}, {"ppm", "/", 1e-6, 0},
		{"/100", "/", 1. / 100, 0}, {"/1000", "/", 1. / 1000, 0}, {"hPa", "Pa", 100, 0},
		{"mm", "m", 1. / 1000, 0}, {"cm", "m", 1. / 100, 0}, {"km", "m", 1000, 0}, {"km/h", "m/s", 1 / 3.6, 0},
	} {
		for _, v := range []float64{0, 1, -7.25, 100, 10, 12345.6} {
			want := v*row.scale + row.offset
			got, ok := Convert(v, []byte(row.secondary), row.primary)
			if !ok || math.Abs(got-want) > 4e-16*math.Abs(want) { // the scale itself is rounded
				t.Errorf("%v %s is %v %s (%v), want %v", v, row.secondary, got, row.primary, ok, want)
			}
			back, ok := Convert(got, []byte(row.primary), row.secondary)
			if !ok || math.Abs(back-v) > 1e-12*max(1, math.Abs(v)) {
				t.Errorf("%v %s comes back as %v", v, row.secondary, back)
			}
		}
	}
}

func TestConversionsThatAreExact(t *testing.T) {
	for _, test := range []struct {
		v        float64
		from, to string
		want     float64
	}{
		{273.15, "K", "Cel", 0},
		{276.55, "K", "Cel", 3.4}, // and not 3.400000000000034
		{146.15, "K", "Cel", -127},
		{0, "K", "Cel", -273.15},
		{0, "Cel", "K", 273.15},
		{1.25, "kWh", "Wh", 1250},
		{3600, "J", "Wh", 1},
		{2.9, "A", "A", 2.9},
		{2900, "mA", "A", 2.9}, // 2.9 itself, not a neighbour: one rounding
		{115200, "mV", "V", 115.2},
		{25, "1/s", "1/min", 1500},
		{25, "Hz", "1/min", 1500},
		{0.5, "%", "/", 0.5}, // RFC 8428, 12.1, note 2: no percentage
	} {
		if got, ok := Convert(test.v, []byte(test.from), test.to); !ok || got != test.want {
			t.Errorf("%v %s is %v %s (%v), want %v", test.v, test.from, got, test.to, ok, test.want)
		}
	}
}

func TestUnitsThatDoNotConvert(t *testing.T) {
	for _, pair := range [][2]string{
		{"F", "Cel"}, // a farad: the registries have no Fahrenheit
		{"degF", "Cel"}, {"Far", "Cel"}, {"C", "Cel"}, {"cel", "Cel"}, {"", "Cel"},
		{"VA", "W"}, {"VAs", "Wh"}, {"var", "VA"}, {"beat/min", "1/min"},
		{"/", "%RH"}, {"/100", "%RH"}, {"%", "%RH"}, {"%EL", "%RH"}, {"Cel", ""}, {"mAh", "C"},
	} {
		if got, ok := Convert(1, []byte(pair[0]), pair[1]); ok {
			t.Errorf("1 %q became %v %q", pair[0], got, pair[1])
		}
	}
}
