package visit

import (
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
)

// Decision is what becomes of the product.
type Decision string

// Decisions.
const (
	Sell    Decision = "sell"
	Hold    Decision = "hold" // not sold until something is known or done
	Discard Decision = "discard"
)

// Decisions are all of them, in the order they are offered.
var Decisions = []Decision{Sell, Hold, Discard}

// Product is what is known of the product at a machine.
type Product struct {
	Kind     fleet.Product
	Limits   fleet.Limits
	Measured *quantity.Celsius // by the tech; nil: not yet
	Believed *quantity.Celsius // by the models; nil: not known
	OverAt   time.Time         // first over its warm limit since the last service; zero: not known to have been
	Past     bool              // what it was is known from there on
	Above21  bool              // has passed 21 °C since then
	Beside   bool              // what stands next to the cold air may be frozen, by the forecast
	Now      time.Time
}

// Advice is what the rule says.
type Advice struct {
	Decision Decision
	Why      string // one or two sentences, °C
	Beside   string // of what stands next to the cold air, where that may be another matter; likewise
	Rule     string // that applies
}

const (
	ruleTCS     = "FDA Food Code 3-501.16: 41 °F (5 °C) or below; and 3-501.19: 4 h, or 6 h where it never passed 70 °F (21 °C)"
	ruleQuality = "quality only; sealed beverages are not under time and temperature control"
)

// Advise says what to do with the product. Local codes come before it.
//
// Food under time and temperature control is sold at 5 °C or less (3-501.16).
// Once over it the whole time counts: within 4 h, or 6 h where it was 5 °C or
// less at the start and never passed 21 °C, it may be used or discarded; after
// that it is discarded, cold again or not (3-501.19). What cannot be told is
// taken for the worse.
//
// Where cold air is starved or does not stop, what stands next to it freezes while
// the rest, of which everything else is said, is within its limit.
func Advise(p Product) Advice {
	t := p.Measured
	if t == nil {
		t = p.Believed
	}
	advise, beside := beverage, "What stands next to the cold air may be frozen, whatever the rest is: take out what is frozen, bulged or burst."
	if alerts.HasFoodClock(p.Kind) {
		advise, beside = food, "What stands next to the cold air may be frozen, whatever the rest is. Frozen packages that have burst or thawed are discarded; ask for the others."
	}
	a := advise(p, t)
	if p.Beside && a.Decision != Discard && (t == nil || *t >= p.Limits.Cold) {
		a.Beside = beside
	}
	return a
}

func food(p Product, t *quantity.Celsius) Advice {
	if t == nil {
		return Advice{Decision: Hold, Why: "Its temperature is not known. Measure it between packages before anything is sold.", Rule: ruleTCS}
	}
	if *t < p.Limits.Cold {
		return Advice{Decision: Hold, Why: "It may be frozen. Frozen packages that have burst or thawed are discarded; ask for the rest.", Rule: ruleTCS}
	}
	clock := alerts.FoodClock{Limit: p.Limits.Warm, Above21: p.Above21 || *t > 21}
	if !p.OverAt.IsZero() {
		clock.OverAt = collector.MillisOf(p.OverAt)
	}
	warm := *t > p.Limits.Warm
	if warm && clock.OverAt == 0 {
		if !p.Past {
			return Advice{Decision: Discard, Why: "It is over its limit, and nobody can tell since when.", Rule: ruleTCS}
		}
		clock.OverAt = collector.MillisOf(p.Now)
	}
	_, last, over := clock.DiscardAt()
	switch {
	case !over && p.Measured == nil:
		return Advice{Decision: Hold, Why: "The models believe it has stayed within its limit. Measure it between packages to be sure.", Rule: ruleTCS}
	case !over:
		return Advice{Decision: Sell, Why: "It is within its limit and, as far as is known, always was.", Rule: ruleTCS}
	case !p.Now.Before(last.Time()):
		return Advice{Decision: Discard, Why: "Its time over the limit is used up. Cooling it again does not give it back.", Rule: ruleTCS}
	case clock.Above21:
		return Advice{Decision: Discard, Why: "It has been over 21 °C, and over its limit. It is used within 4 h of leaving the limit or discarded; it cannot be kept.", Rule: ruleTCS}
	}
	return Advice{Decision: Hold, Why: "It has been over its limit. Mark it, and use or discard it by then; the time does not start again when it is cold.", Rule: ruleTCS}
}

// Until is when food over its limit must be used or discarded; ok is false
// where no clock runs.
func (p Product) Until() (at time.Time, ok bool) {
	if !alerts.HasFoodClock(p.Kind) || p.OverAt.IsZero() {
		return at, false
	}
	_, six, ok := (&alerts.FoodClock{Limit: p.Limits.Warm, OverAt: collector.MillisOf(p.OverAt), Above21: p.Above21 || p.Measured != nil && *p.Measured > 21}).DiscardAt()
	return six.Time(), ok
}

func beverage(p Product, t *quantity.Celsius) Advice {
	switch {
	case t == nil:
		return Advice{Decision: Hold, Why: "Its temperature is not known. Measure a drink from the middle.", Rule: ruleQuality}
	case *t < p.Limits.Cold:
		return Advice{Decision: Hold, Why: "It may be frozen: take out what is frozen, bulged or burst.", Rule: ruleQuality}
	case *t > p.Limits.Warm:
		return Advice{Decision: Hold, Why: "Too warm to sell. It is good again once it is back at 36 to 40 °F (2.2 to 4.4 °C).", Rule: ruleQuality}
	}
	return Advice{Decision: Sell, Why: "Cold enough to sell.", Rule: ruleQuality}
}
