package alerts

import (
	"fmt"
	"math"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// Reason is why an alert has its priority, as facts with times of day: what is at
// stake, how long it has, how far away help is. It holds no time left, so it can
// be put in words truly at any later moment, by [Reason.Facts].
type Reason struct {
	Currency  string // written before the amount
	Value     float64
	Estimated bool // of the value: the fleet file does not say it
	Product   fleet.Product
	Machines  int // that one answer settles
	Fault     fault.Fault
	Limits    fleet.Limits

	LimitAt    collector.Millis // forecast; 0: not expected
	LimitEarly collector.Millis
	Side       detect.Side
	OutSince   collector.Millis // the product was found outside its limits, from then on; 0: it was not

	Clock  FoodClock // of food under the rules; zero: none
	Travel time.Duration
	Sick   float64 // probability that something is wrong, 0..1
	Ended  bool    // the trouble is over
	Bound  string  // "at least high by its settings" where the machine's settings decided; "" where they did not
}

// Live is the product as it is measured at the moment a reason is shown. The zero
// value is for when nobody looks: the last finding's word counts.
type Live struct {
	Known   bool
	Product quantity.Celsius
}

// Standing is how things stand with the product.
type Standing uint8

// Standings.
const (
	NoDanger   Standing = iota // not expected to leave its limit
	OnlySensor                 // a sensor lies, the cooling works
	Unwatched                  // silent, and nothing was in sight before
	TimeLeft                   // it will leave its limit
	Expected                   // by the forecast it has; it was not found so
	Over                       // it is over its warm limit
	Frozen                     // it is below its cold limit
	BackWithin                 // it was out, and is back
	Ended                      // the trouble is over
)

// Facts are a reason at one moment.
type Facts struct {
	Reason
	Standing Standing
	Left     time.Duration // with TimeLeft
	Worst    time.Duration // at the early bound, where that is much less; 0: it is not
	Out      time.Duration // how long it has been out, or was expected to be

	// The rule clock of food, where it runs.
	Ruled    bool
	RuleLeft time.Duration // of the 4 h; not positive: used up
	SixLeft  time.Duration // of the 6 h, where they hold; not positive: they do not, or are used up
}

// Facts says how things stand at a moment.
func (r Reason) Facts(at collector.Millis, live Live) Facts {
	f := Facts{Reason: r}
	out := r.OutSince != 0
	if live.Known {
		out = !r.Limits.Holds(live.Product)
		if out && r.Side == detect.NoSide {
			f.Side = side(live.Product, r.Limits)
		}
	}
	since := r.OutSince
	switch {
	case r.Ended:
		f.Standing = Ended
	case out && f.Side == detect.Cold:
		f.Standing = Frozen
	case out:
		f.Standing = Over
	case r.OutSince != 0:
		f.Standing = BackWithin
	case r.Fault == fault.SensorFault:
		f.Standing = OnlySensor
	case r.LimitAt == 0 && r.Fault == fault.Silent:
		f.Standing = Unwatched
	case r.LimitAt == 0:
		f.Standing = NoDanger
	case r.LimitAt > at:
		f.Standing, f.Left = TimeLeft, r.LimitAt.Sub(at)
		if e := r.LimitEarly.Sub(at); r.LimitEarly != 0 && e > 0 && e < f.Left*3/4 {
			f.Worst = e
		}
	// The bulk says that a forecast was too dark, but nothing of what freezes first.
	case live.Known && r.Side != detect.Cold:
		f.Standing, f.Left = TimeLeft, 0
	default:
		f.Standing, since = Expected, r.LimitAt
	}
	if since != 0 {
		f.Out = max(0, at.Sub(since))
	}
	f.rule(at)
	return f
}

// rule fills in the food clock. One that was not seen to start is taken to start
// when the forecast has the product over its limit.
func (f *Facts) rule(at collector.Millis) {
	c := f.Clock
	if c == (FoodClock{}) {
		return
	}
	if c.OverAt == 0 && f.Standing == Expected && f.Side != detect.Cold {
		c.OverAt = f.LimitAt
	}
	four, six, runs := c.DiscardAt()
	if !runs {
		return
	}
	f.Ruled, f.RuleLeft = true, four.Sub(at)
	if six > four {
		f.SixLeft = six.Sub(at)
	}
	if f.Standing == NoDanger {
		f.Standing = BackWithin
	}
	if f.Standing != Expected {
		f.Out = max(f.Out, at.Sub(c.OverAt))
	}
}

func side(t quantity.Celsius, l fleet.Limits) detect.Side {
	if t < l.Cold {
		return detect.Cold
	}
	return detect.Warm
}

// Line is the reason in one line, as it is at the moment.
func (r Reason) Line(at collector.Millis, live Live) string { return r.Facts(at, live).String() }

// productNames say what is aboard.
var productNames = [fleet.NumProducts]string{
	fleet.SealedBeverage: "drinks", fleet.Dairy: "dairy", fleet.TCSFood: "perishable food",
}

// ProductName is the word for a class of product.
func ProductName(p fleet.Product) string { return productNames[p] }

// String puts the facts in one line.
func (f Facts) String() string {
	about, what := "", productNames[f.Product]
	if f.Estimated {
		about = "about "
	}
	if f.Machines > 1 {
		what = fmt.Sprintf("product in %d machines", f.Machines)
	}
	parts := []string{fmt.Sprintf("%s%s%.0f of %s", about, f.Currency, f.Value, what), f.standing()}
	if r := f.ruled(); r != "" {
		parts = append(parts, r)
	}
	if f.Standing == Ended {
		return strings.Join(parts, ", ")
	}
	parts = append(parts, Span(f.Travel)+" drive")
	switch {
	case f.Sick >= 0.8:
	case f.Fault == fault.Silent:
		parts = append(parts, fmt.Sprintf("%.0f %% likely to last", 100*f.Sick))
	default:
		parts = append(parts, fmt.Sprintf("%.0f %% sure", 100*f.Sick))
	}
	if f.Bound != "" {
		parts = append(parts, f.Bound)
	}
	return strings.Join(parts, ", ")
}

func (f Facts) standing() string {
	switch f.Standing {
	case Ended:
		return "back to normal"
	case OnlySensor:
		return "a sensor, not the cooling"
	case Unwatched:
		return "not watched while it is silent"
	case NoDanger:
		return "not in danger within the forecast"
	case Over:
		return "over its limit" + f.lasting()
	case Frozen:
		return "below its cold limit" + f.lasting()
	case BackWithin:
		return "was out of its limits, is back within"
	case Expected:
		if f.Side == detect.Cold {
			return "by the forecast frozen next to the cold air" + f.lasting()
		}
		return "by the forecast over its limit" + f.lasting()
	}
	switch {
	case f.Left == 0:
		return "still within its limit"
	case f.Side == detect.Cold:
		return Span(f.Left) + " until what is next to the cold air freezes" + f.worst()
	}
	return Span(f.Left) + " left" + f.worst()
}

// lasting is for how long it has been out, where that is known: what was only just
// seen to be out need not have left its limits just now.
func (f Facts) lasting() string {
	if f.Out <= 0 {
		return ""
	}
	return " for " + Span(f.Out)
}

func (f Facts) worst() string {
	if f.Worst <= 0 {
		return ""
	}
	return ", " + Span(f.Worst) + " at worst"
}

// ruled is what the rule clock says; "" where none runs. Food that has used up its
// 4 h is to be discarded; the 6 h need a written procedure, so they are only named.
func (f Facts) ruled() string {
	switch {
	case !f.Ruled:
		return ""
	case f.RuleLeft > 0:
		return Span(f.RuleLeft) + " of the 4 h rule left"
	case f.SixLeft > 0:
		return "discard by the 4 h rule (" + Span(f.SixLeft) + " of the 6 h rule left)"
	case f.Clock.Above21:
		return "discard by the 4 h rule"
	}
	return "discard by the 4 h and the 6 h rule"
}

// reason collects the facts of a weighed stake.
func (r *Rules) reason(s Stake, w weight, value, sick float64, machines int) Reason {
	f := s.Finding
	_, said := loadValue(s.Machine)
	out := Reason{Currency: r.Currency, Value: math.Round(value), Estimated: !said, Product: productOf(s.Machine), Machines: machines,
		Fault: f.Fault, Limits: limitsOf(s.Machine), OutSince: s.OutSince, Travel: w.travel, Sick: sick}
	if w.limit.known {
		out.LimitAt, out.LimitEarly, out.Side = w.limit.forecastAt, f.LimitEarly, w.limit.side
	}
	if out.Side == detect.NoSide && s.OutSince != 0 && f.HasProduct {
		out.Side = side(f.ProductTemperature, out.Limits)
	}
	if s.Clock != nil {
		out.Clock = *s.Clock
	}
	return out
}

// Span writes a duration as a person says it: "50 min", "3 h", "3 h 20 min", "2 days".
func Span(d time.Duration) string {
	d = max(d, -d)
	switch min := int(d.Round(time.Minute) / time.Minute); {
	case min < 60:
		return fmt.Sprintf("%d min", min)
	case min < 6*60:
		min = (min + 5) / 10 * 10
		if min%60 == 0 {
			return fmt.Sprintf("%d h", min/60)
		}
		return fmt.Sprintf("%d h %d min", min/60, min%60)
	case min < 48*60:
		return fmt.Sprintf("%d h", (min+30)/60)
	default:
		return fmt.Sprintf("%d days", (min+12*60)/(24*60))
	}
}
