package senml

import "math"

// unit is how a symbol relates to the unit that its quantity is compared in:
//
//	value in reference = value · num/den + offset
//
// num and den are integers (or short decimals) that doubles hold exactly, so
// that a conversion rounds as little as it can.
type unit struct {
	reference string
	num, den  float64
	offset    float64
}

// units are the symbols of RFC 8428 (section 12.1) and RFC 8798 (tables 1 and
// 2). Quantities that the registries keep apart stay apart here even where the
// dimension is the same: W, VA and var; 1/s and beats; %RH and ratios. "%" is
// the ratio "/" and no percentage (RFC 8428, 12.1, note 2). The registries
// have no Fahrenheit.
//
// Kelvin is compared in Cel; 273.15 is exact by definition of the Celsius
// temperature (SI Brochure, 9th edition, 2.3.1).
var units = map[string]unit{
	// RFC 8428
	"m": {"m", 1, 1, 0}, "kg": {"kg", 1, 1, 0}, "g": {"kg", 1, 1000, 0}, "s": {"s", 1, 1, 0},
	"A": {"A", 1, 1, 0}, "K": {"Cel", 1, 1, -273.15}, "cd": {"cd", 1, 1, 0}, "mol": {"mol", 1, 1, 0},
	"Hz": {"1/s", 1, 1, 0}, "rad": {"rad", 1, 1, 0}, "sr": {"sr", 1, 1, 0}, "N": {"N", 1, 1, 0},
	"Pa": {"Pa", 1, 1, 0}, "J": {"J", 1, 1, 0}, "W": {"W", 1, 1, 0}, "C": {"C", 1, 1, 0},
	"V": {"V", 1, 1, 0}, "F": {"F", 1, 1, 0}, "Ohm": {"Ohm", 1, 1, 0}, "S": {"S", 1, 1, 0},
	"Wb": {"Wb", 1, 1, 0}, "T": {"T", 1, 1, 0}, "H": {"H", 1, 1, 0}, "Cel": {"Cel", 1, 1, 0},
	"lm": {"lm", 1, 1, 0}, "lx": {"lx", 1, 1, 0}, "Bq": {"Bq", 1, 1, 0}, "Gy": {"Gy", 1, 1, 0},
	"Sv": {"Sv", 1, 1, 0}, "kat": {"kat", 1, 1, 0}, "m2": {"m2", 1, 1, 0}, "m3": {"m3", 1, 1, 0},
	"l": {"m3", 1, 1000, 0}, "m/s": {"m/s", 1, 1, 0}, "m/s2": {"m/s2", 1, 1, 0},
	"m3/s": {"m3/s", 1, 1, 0}, "l/s": {"m3/s", 1, 1000, 0}, "W/m2": {"W/m2", 1, 1, 0},
	"cd/m2": {"cd/m2", 1, 1, 0}, "bit": {"bit", 1, 1, 0}, "bit/s": {"bit/s", 1, 1, 0},
	"lat": {"lat", 1, 1, 0}, "lon": {"lon", 1, 1, 0}, "pH": {"pH", 1, 1, 0}, "dB": {"dB", 1, 1, 0},
	"dBW": {"dBW", 1, 1, 0}, "Bspl": {"Bspl", 1, 1, 0}, "count": {"count", 1, 1, 0},
	"/": {"/", 1, 1, 0}, "%": {"/", 1, 1, 0}, "%RH": {"%RH", 1, 1, 0}, "%EL": {"%EL", 1, 1, 0},
	"EL": {"EL", 1, 1, 0}, "1/s": {"1/s", 1, 1, 0}, "1/min": {"1/s", 1, 60, 0},
	"beat/min": {"beat/min", 1, 1, 0}, "beats": {"beats", 1, 1, 0}, "S/m": {"S/m", 1, 1, 0},

	// RFC 8798, table 1
	"B": {"B", 1, 1, 0}, "VA": {"VA", 1, 1, 0}, "VAs": {"VAs", 1, 1, 0}, "var": {"var", 1, 1, 0},
	"vars": {"vars", 1, 1, 0}, "J/m": {"J/m", 1, 1, 0}, "kg/m3": {"kg/m3", 1, 1, 0}, "deg": {"deg", 1, 1, 0},

	// RFC 8798, table 2: secondary units
	"ms": {"s", 1, 1000, 0}, "min": {"s", 60, 1, 0}, "h": {"s", 3600, 1, 0},
	"MHz": {"1/s", 1e6, 1, 0}, "kW": {"W", 1000, 1, 0}, "kVA": {"VA", 1000, 1, 0},
	"kvar": {"var", 1000, 1, 0}, "Ah": {"C", 3600, 1, 0}, "Wh": {"J", 3600, 1, 0},
	"kWh": {"J", 3600000, 1, 0}, "varh": {"vars", 3600, 1, 0}, "kvarh": {"vars", 3600000, 1, 0},
	"kVAh": {"VAs", 3600000, 1, 0}, "Wh/km": {"J/m", 3600, 1000, 0}, "KiB": {"B", 1024, 1, 0},
	"GB": {"B", 1e9, 1, 0}, "Mbit/s": {"bit/s", 1e6, 1, 0}, "B/s": {"bit/s", 8, 1, 0},
	"MB/s": {"bit/s", 8e6, 1, 0}, "mV": {"V", 1, 1000, 0}, "mA": {"A", 1, 1000, 0},
	"dBm": {"dBW", 1, 1, -30}, "ug/m3": {"kg/m3", 1, 1e9, 0}, "mm/h": {"m/s", 1, 3600000, 0},
	"m/h": {"m/s", 1, 3600, 0}, "ppm": {"/", 1, 1e6, 0}, "/100": {"/", 1, 100, 0},
	"/1000": {"/", 1, 1000, 0}, "hPa": {"Pa", 100, 1, 0}, "mm": {"m", 1, 1000, 0},
	"cm": {"m", 1, 100, 0}, "km": {"m", 1000, 1, 0}, "km/h": {"m/s", 1000, 3600, 0},
}

// Convert expresses v, in the unit with symbol from, in the unit with symbol
// to. ok is false where either is unknown or they measure different things.
func Convert(v float64, from []byte, to string) (converted float64, ok bool) {
	if string(from) == to {
		return v, true
	}
	a, ok := units[string(from)]
	if !ok {
		return 0, false
	}
	b, ok := units[to]
	if !ok || a.reference != b.reference {
		return 0, false
	}
	// The factors are joined first: kWh to Wh is then 1000 exactly.
	v = v * (a.num * b.den) / (a.den * b.num)
	if a.offset == b.offset {
		return v, true
	}
	return tidy(v + (a.offset-b.offset)*b.den/b.num), true
}

// tidy takes away what an offset adds below the last digit that anyone sends:
// 276.55 − 273.15 is 3.400000000000034 in doubles, and 3.4 was meant.
func tidy(v float64) float64 {
	const places = 1e9
	if math.Abs(v) > 1e6 { // the double has not that many places
		return v
	}
	return math.Round(v*places) / places
}
