package route

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"coilward/detect/fault"
)

// Geo returns the place as a geo URI (RFC 5870), to six decimals, 0.1 m.
func (p Point) Geo() string {
	f := func(x float64) string {
		s := strings.TrimRight(strconv.FormatFloat(x, 'f', 6, 64), "0")
		s = strings.TrimSuffix(s, ".")
		if s == "-0" {
			s = "0"
		}
		return s
	}
	return "geo:" + f(p.Latitude) + "," + f(p.Longitude)
}

// Length writes a distance in kilometres or miles.
func Length(metres float64, imperial bool) string {
	if imperial {
		return fmt.Sprintf("%.0f mi", metres/1609.344) // exact, international mile
	}
	return fmt.Sprintf("%.0f km", metres/1000)
}

// Mind is a caution, and the refrigerant it is about.
type Mind struct {
	fault.Caution
	Refrigerant string
}

// Minds are the cautions that the faults and refrigerants on the route call for, the
// gravest first, each once.
func (r *Route) Minds() []Mind {
	var by [fault.NumCautions][]Mind
	for i := range r.Visits {
		for _, j := range r.Visits[i].Stop.Jobs {
			for _, c := range fault.Cautions(j.Refrigerant, j.TCS, j.Fault) {
				m := Mind{c, j.Refrigerant}
				if c != fault.Flammable {
					m.Refrigerant = "" // the others do not name it
				}
				if !slices.Contains(by[c], m) {
					by[c] = append(by[c], m)
				}
			}
		}
	}
	return slices.Concat(by[:]...)
}

// Cautions are the same as sentences.
func (r *Route) Cautions(imperial bool) []string {
	var out []string
	for _, m := range r.Minds() {
		text := m.Text(m.Refrigerant)
		if imperial {
			text = strings.ReplaceAll(text, "100 °C", "212 °F")
		}
		out = append(out, text)
	}
	return out
}
