package alerts

import (
	"fmt"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// productNames say what is aboard.
var productNames = [fleet.NumProducts]string{
	fleet.SealedBeverage: "drinks", fleet.Dairy: "dairy", fleet.TCSFood: "perishable food",
}

// ProductName is the word for a class of product.
func ProductName(p fleet.Product) string { return productNames[p] }

// explain writes the reason for a priority in one line: what is at stake, how
// long it has, how far away help is.
func (r *Rules) explain(a *Assessment, lead Stake, n int, now collector.Millis) string {
	f, l, product := lead.Finding, r.limitOf(lead.Finding, now), productOf(lead.Machine)
	var parts []string
	_, said := loadValue(lead.Machine)
	about, what := "", productNames[product]
	if !said {
		about = "about "
	}
	if n > 1 {
		what = fmt.Sprintf("product in %d machines", n)
	}
	parts = append(parts, fmt.Sprintf("%s%s%.0f of %s", about, r.Currency, a.Value, what))
	switch {
	case f.Fault == fault.SensorFault:
		parts = append(parts, "a sensor, not the cooling")
	case f.Fault == fault.Silent && !l.known:
		parts = append(parts, "not watched while it is silent")
	case !l.known:
		parts = append(parts, "not in danger within the forecast")
	case a.Lead > 0:
		left := Span(a.Lead) + " left"
		if l.side == detect.Cold {
			left = Span(a.Lead) + " until it freezes"
		}
		if f.LimitEarly != 0 {
			if e := f.LimitEarly.Sub(l.at) + a.Lead; e > 0 && e < a.Lead*3/4 {
				left += ", " + Span(e) + " at worst"
			}
		}
		parts = append(parts, left)
	case l.side == detect.Cold:
		parts = append(parts, "below its cold limit for "+Span(-a.Lead))
	case product != fleet.SealedBeverage:
		if left := fourHours + a.Lead; left > 0 {
			parts = append(parts, fmt.Sprintf("over its limit, %s of the 4 h rule left", Span(left)))
		} else {
			parts = append(parts, "over its limit for "+Span(-a.Lead)+", discard by the 4 h rule")
		}
	default:
		parts = append(parts, "over its limit for "+Span(-a.Lead))
	}
	parts = append(parts, Span(a.Travel)+" away")
	if a.Sick < 0.8 {
		parts = append(parts, fmt.Sprintf("%.0f %% sure", 100*a.Sick))
	}
	return strings.Join(parts, ", ")
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
