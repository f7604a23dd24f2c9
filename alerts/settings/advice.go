package settings

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect/sensitivity"
)

// Advice is something that may be set, and that a standard or physics speaks
// against.
type Advice struct {
	Machines []string // that it is about; none: the settings as a whole
	Text     string
}

// Advise holds what applies to the machines of a fleet against the standards'
// advice. Machines with the same trouble share an entry.
func Advise(f *fleet.Fleet, state *fleet.Overrides, trade *sensitivity.Trade) []Advice {
	var out []Advice
	say := func(m *fleet.Machine, format string, args ...any) {
		text := fmt.Sprintf(format, args...)
		i := slices.IndexFunc(out, func(a Advice) bool { return a.Text == text })
		if i < 0 {
			i = len(out)
			out = append(out, Advice{Text: text})
		}
		out[i].Machines = append(out[i].Machines, m.ID)
	}
	for m := range f.All {
		adviseLimits(m, say)
		adviseDelays(m, say)
		if wanted := m.Alerting.FalseAlarms; wanted != nil {
			if least, most := trade.Reach(); *wanted < least || *wanted > most {
				say(m, "wanted false alarms of %g a machine and year are beyond what was measured, %.2g to %.2g: the nearest of them is used", *wanted, least, most)
			}
		}
	}
	for _, s := range f.Strangers(state) {
		out = append(out, Advice{Text: fmt.Sprintf("what is set for %s does nothing: it is not in the fleet file", s)})
	}
	return out
}

func adviseLimits(m *fleet.Machine, say func(*fleet.Machine, string, ...any)) {
	l, band := m.Limits, fleet.BeverageBand
	if m.Product == fleet.SealedBeverage && (l.Warm < band.Warm || l.Cold > band.Cold) {
		say(m, "limits of %g °C and %g °C lie within the band of %g °C to %g °C that drinks are best held in (common practice): a good machine leaves them",
			l.Cold, l.Warm, band.Cold, band.Warm)
	}
	if m.Product.TimeCounted() && l.Warm > m.Product.Limits().Warm {
		say(m, "a warm limit of %g °C is above the %g °C of FDA Food Code 3-501.16 for %s: your authority must agree", l.Warm, m.Product.Limits().Warm, m.Product)
	}
	if m.Setpoint != nil && m.Differential != nil {
		low, high := *m.Setpoint-quantity.Celsius(*m.Differential/2), *m.Setpoint+quantity.Celsius(*m.Differential/2)
		if low < l.Cold || high > l.Warm {
			say(m, "its thermostat lets the air swing from %g °C to %g °C, which is past the limits of %g °C and %g °C for product: product near the door may follow",
				low, high, l.Cold, l.Warm)
		}
	}
}

func adviseDelays(m *fleet.Machine, say func(*fleet.Machine, string, ...any)) {
	start := 3.3 // °C, the middle of the band for drinks
	if m.Setpoint != nil {
		start = float64(*m.Setpoint)
	}
	left, ends := TimeLeft(start, warmRoom, float64(m.Limits.Warm))
	for u, d := range m.Alerting.OnDelay {
		if u >= int(fleet.High) && d != nil && ends && *d > left/4 {
			say(m, "an on-delay of %s for %s: when cooling stops, product at %g °C in a room of %g °C passes %g °C after about %s, and somebody must still get there",
				alerts.Span(*d), fleet.Urgency(u), start, warmRoom, m.Limits.Warm, alerts.Span(left))
		}
	}
	adviseOrder(m, say)
	if d := m.Alerting.RestockDelay; d != nil && m.Product.TimeCounted() && *d >= 4*time.Hour {
		say(m, "an on-delay of %s after a restock is all of the 4 h that %s may be above its limit (FDA Food Code 3-501.19)", alerts.Span(*d), m.Product)
	}
	if d := m.Alerting.OffDelay; d != nil && *d < 5*time.Minute {
		say(m, "an off-delay of %s is shorter than a compressor’s cycle: alerts may come and go with it", alerts.Span(*d))
	}
	if most := m.Alerting.AtMost; most != nil && *most < fleet.High && m.Product.TimeCounted() {
		say(m, "%s is kept from becoming more urgent than %s, also when it must be discarded soon", m.Product, *most)
	}
}

// adviseOrder says where what is more urgent waits longer because only one of two
// delays is set. Two that are set and contradict each other are refused.
func adviseOrder(m *fleet.Machine, say func(*fleet.Machine, string, ...any)) {
	built := alerts.DefaultDelays().On
	for u := 1; u < fleet.NumUrgencies; u++ {
		less, more := m.Alerting.OnDelay[u-1], m.Alerting.OnDelay[u]
		if (less == nil) == (more == nil) {
			continue
		}
		of := func(u int, d *time.Duration) (time.Duration, string) {
			if d == nil {
				return built[u], " (built in)"
			}
			return *d, ""
		}
		short, whence := of(u-1, less)
		long, whenceLong := of(u, more)
		if long > short {
			say(m, "an on-delay of %s for %s%s is longer than the %s for %s%s: what is more urgent is told later",
				alerts.Span(long), fleet.Urgency(u), whenceLong, alerts.Span(short), fleet.Urgency(u-1), whence)
		}
	}
}

// String writes the advice on a line, with at most a few machines.
func (a Advice) String() string {
	switch n := len(a.Machines); {
	case n == 0:
		return a.Text
	case n <= 3:
		return strings.Join(a.Machines, ", ") + ": " + a.Text
	default:
		return fmt.Sprintf("%s and %d more: %s", strings.Join(a.Machines[:2], ", "), n-2, a.Text)
	}
}

// A closed cabinet of the usual size: heat flows of walls and film in W/K, masses
// of air (with the inner parts) and product in J/K. Common practice, no source; the
// closed form below is checked against worked values.
const (
	walls, film      = 5.0, 25.0
	airMass, canMass = 30e3, 600e3
	warmRoom         = 24.0 // °C
)

// TimeLeft returns how long product that was at start, like the air around it,
// takes to pass limit once cooling stops in a room of the given temperature, all in
// °C; ok is false where it never does. Two nodes:
//
//	C_a dT_a/dt = UA (T_room − T_a) + H (T_p − T_a),  C_p dT_p/dt = H (T_a − T_p)
//
// With both at start, x = T − T_room decays as a sum of two exponentials; the
// product's begins flat: x_p(t) = x_0 (r₂ e^{−r₁t} − r₁ e^{−r₂t}) / (r₂ − r₁).
func TimeLeft(start, room, limit float64) (d time.Duration, ok bool) {
	if start >= limit {
		return 0, true
	}
	if room <= limit {
		return 0, false
	}
	// r² − b r + c = 0 of the rates.
	b := (walls+film)/airMass + film/canMass
	c := walls * film / (airMass * canMass)
	root := math.Sqrt(b*b - 4*c)
	r1, r2 := (b-root)/2, (b+root)/2
	product := func(t float64) float64 {
		return room + (start-room)*(r2*math.Exp(-r1*t)-r1*math.Exp(-r2*t))/(r2-r1)
	}
	low, high := 0.0, 3600.0
	for product(high) < limit {
		high *= 2
	}
	for range 60 {
		if mid := (low + high) / 2; product(mid) < limit {
			low = mid
		} else {
			high = mid
		}
	}
	return time.Duration(high * float64(time.Second)), true
}
