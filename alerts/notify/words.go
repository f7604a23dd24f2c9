package notify

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// reader writes for one person: in their language, on their own clock, in their
// unit.
type reader struct {
	p    *Person
	l    *language
	live func(*alerts.Alert, time.Time) alerts.Live // nil: what the alert itself knows
}

func (r reader) fault(f fault.Fault) string { return r.l.say("fault."+f.String(), nil) }

func (r reader) priority(p alerts.Priority) string { return r.l.say("priority."+p.String(), nil) }

// when is a time on the person's own clock; the day only when it is another.
func (r reader) when(m collector.Millis, now time.Time) string {
	t, n := r.p.local(m.Time()), r.p.local(now)
	clock := t.Format("15:04 MST")
	if dateOf(t) == dateOf(n) {
		return clock
	}
	return r.weekday(t) + " " + clock
}

func (r reader) weekday(t time.Time) string {
	return r.l.say("weekday."+strconv.Itoa(int(t.Weekday())), nil)
}

func (r reader) date(t time.Time) string {
	return r.l.say("date", struct {
		Weekday, Month string
		Day            int
	}{r.weekday(t), r.month(t), t.Day()})
}

// dateAndTime is for what may be days ahead.
func (r reader) dateAndTime(t time.Time) string {
	local := r.p.local(t)
	return r.date(local) + " " + local.Format("15:04 MST")
}

func (r reader) month(t time.Time) string {
	return r.l.say("month."+strconv.Itoa(int(t.Month())), nil)
}

// facts are how things stand with an alert.
func (r reader) facts(a *alerts.Alert, now time.Time) alerts.Facts {
	var live alerts.Live
	if r.live != nil {
		live = r.live(a, now)
	}
	return a.Basis.Facts(collector.MillisOf(now), live)
}

// span is a duration as a person says it; see [alerts.Span].
func (r reader) span(d time.Duration) string {
	text := alerts.Span(d)
	n := digits.FindAllString(text, -1)
	name, data := "", struct{ H, Min, Days string }{}
	switch {
	case len(n) == 2:
		name, data.H, data.Min = "span.h-min", n[0], n[1]
	case strings.HasSuffix(text, "days"):
		name, data.Days = "span.days", n[0]
	case strings.HasSuffix(text, "h"):
		name, data.H = "span.h", n[0]
	default:
		name, data.Min = "span.min", n[0]
	}
	return r.l.say(name, data)
}

func (r reader) temperature(t quantity.Celsius) string {
	if r.p.Fahrenheit {
		return fmt.Sprintf("%.1f °F", t.Fahrenheit())
	}
	return fmt.Sprintf("%.1f °C", float64(t))
}

func (r reader) unit() string {
	if r.p.Fahrenheit {
		return "°F"
	}
	return "°C"
}

var standings = map[alerts.Standing]string{alerts.NoDanger: "safe", alerts.OnlySensor: "sensor", alerts.Unwatched: "unwatched",
	alerts.TimeLeft: "left", alerts.Expected: "expected", alerts.Over: "over", alerts.Frozen: "frozen", alerts.BackWithin: "back", alerts.Ended: "ended"}

// stakes are an alert's facts as the phrase "why" sees them: durations and amounts
// are written out, numbers that do not count are zero.
type stakes struct {
	About             bool
	Amount, Product   string
	Machines          int // more than one
	Standing          string
	Cold              bool
	Left, Worst, Out  string
	Ruled, Above21    bool
	RuleLeft, SixLeft string
	Travel            string
	Sure, Likely      string
	AtLeast, AtMost   string
}

var productKeys = [fleet.NumProducts]string{fleet.SealedBeverage: "sealed-beverage", fleet.Dairy: "dairy", fleet.TCSFood: "tcs-food"}

func (r reader) stakes(f alerts.Facts) stakes {
	s := stakes{About: f.Estimated, Amount: fmt.Sprintf("%s%.0f", f.Currency, f.Value), Product: r.l.say("product."+productKeys[f.Product], nil),
		Standing: standings[f.Standing], Cold: f.Side == detect.Cold, Out: lasting(r, f.Out), Ruled: f.Ruled, Above21: f.Clock.Above21,
		Travel: r.span(f.Travel)}
	if f.Machines > 1 {
		s.Machines = f.Machines
	}
	for _, x := range []struct {
		d  time.Duration
		to *string
	}{{f.Left, &s.Left}, {f.Worst, &s.Worst}, {f.RuleLeft, &s.RuleLeft}, {f.SixLeft, &s.SixLeft}} {
		if x.d > 0 {
			*x.to = r.span(x.d)
		}
	}
	if f.Sick < 0.8 {
		to := &s.Sure
		if f.Fault == fault.Silent {
			to = &s.Likely
		}
		*to = fmt.Sprintf("%.0f", 100*f.Sick)
	}
	s.AtLeast, s.AtMost = r.bound(f.Bound, "at least "), r.bound(f.Bound, "at most ")
	return s
}

// bound is the priority that a machine's settings hold an alert to, "" if they do
// not.
func (r reader) bound(says, which string) string {
	word, ok := strings.CutPrefix(strings.TrimSuffix(says, " by its settings"), which)
	var p alerts.Priority
	if !ok || p.UnmarshalText([]byte(word)) != nil {
		return ""
	}
	return strings.ToLower(r.priority(p))
}

// why is the reason for the priority at a moment, in one line.
func (r reader) why(a *alerts.Alert, now time.Time) string {
	return r.l.say("why", r.stakes(r.facts(a, now)))
}

// cautions are what to mind at the machine, for any of the faults it may have.
func (r reader) cautions(m *fleet.Machine, causes []fault.Fault) []string {
	refrigerant, food := "", false
	if m != nil {
		refrigerant, food = m.Refrigerant, alerts.HasFoodClock(m.Product)
	}
	var out []string
	for _, c := range fault.Cautions(refrigerant, food, causes...) {
		out = append(out, r.caution(c, refrigerant))
	}
	return out
}

// evidence is what was seen, with temperatures and times for the reader.
func (r reader) evidence(ev []detect.Evidence, now time.Time) []string {
	out := make([]string, len(ev))
	for i, e := range ev {
		text := inUTC.ReplaceAllStringFunc(e.Text, func(clock string) string {
			if e.Since != 0 && e.Since.Time().UTC().Format("15:04 UTC") == clock {
				return r.when(e.Since, now)
			}
			return clock
		})
		e.Text = text
		if f, why, ok := e.Against(); ok {
			out[i] = r.l.say("not", struct{ Fault, Why string }{r.fault(f), r.units(r.l.pieces.Replace(why))})
			continue
		}
		out[i] = r.units(r.l.pieces.Replace(text))
	}
	return out
}

var (
	digits    = regexp.MustCompile(`\d+`)
	inUTC     = regexp.MustCompile(`\d\d:\d\d UTC`)
	inCelsius = regexp.MustCompile(`([-−]?\d+(?:\.\d+)?) °C`)
	// bothUnits is a published figure in both units, the one it was published in first.
	bothUnits = regexp.MustCompile(`((?:[\d.]+ \pL+ )?[\d.]+ °F) \(((?:[\d.]+ \pL+ )?[\d.]+ (?:°C|K))\)`)
	perKelvin = regexp.MustCompile(`(\d) K/h (per|por) K\b`) // a rate over a difference: the number is the same in °F
	inKelvin  = regexp.MustCompile(`(\d+(?:\.\d+)?)((?: ± \d+(?:\.\d+)?)?) K\b`)
)

// units rewrites temperatures in a sentence for somebody who reads °F. Of a figure
// given in both units it leaves the one that is read.
func (r reader) units(s string) string {
	if !r.p.Fahrenheit {
		return bothUnits.ReplaceAllString(s, "$2")
	}
	s = bothUnits.ReplaceAllString(s, "$1")
	s = inCelsius.ReplaceAllStringFunc(s, func(m string) string {
		text := inCelsius.FindStringSubmatch(m)[1]
		v, _ := strconv.ParseFloat(strings.Replace(text, "−", "-", 1), 64)
		return number(quantity.Celsius(v).Fahrenheit(), text) + " °F"
	})
	s = perKelvin.ReplaceAllString(s, "$1 °F/h $2 °F")
	return inKelvin.ReplaceAllStringFunc(s, func(m string) string {
		sub := inKelvin.FindStringSubmatch(m)
		out := scaled(sub[1])
		if sub[2] != "" {
			out += " ± " + scaled(strings.TrimPrefix(sub[2], " ± "))
		}
		return out + " °F"
	})
}

func scaled(text string) string {
	v, _ := strconv.ParseFloat(text, 64)
	return number(v*9/5, text)
}

// number keeps the decimals the text had.
func number(v float64, like string) string {
	_, dec, _ := strings.Cut(like, ".")
	f := math.Pow10(len(dec))
	return strconv.FormatFloat(math.Round(v*f)/f, 'f', len(dec), 64)
}

// lasting is for how long the product has been out; "" where that is not known.
func lasting(r reader, d time.Duration) string {
	if d <= 0 {
		return ""
	}
	return r.span(d)
}
