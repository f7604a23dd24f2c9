package fleet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/collector/quantity"
)

// Setting is a row of the table of what can be laid over a fleet file: its name
// for people, where it can be set, and what the standards advise.
type Setting struct {
	Key     string // in a scope, such as "alerting.off_delay"
	Title   string
	Unit    string
	Means   string // one sentence
	Advice  string // what to set, and who says so
	Example string
	Field   Field // of the machine; NumFields: none, it is a site's

	levels func(Level) bool
	get    func(*laid) (string, bool)
}

// At reports whether the setting can be set at the level.
func (s *Setting) At(l Level) bool { return s.levels(l) }

func anywhere(Level) bool             { return true }
func onlyMachine(l Level) bool        { return l == OwnValue }
func onlySite(l Level) bool           { return l == SiteDefault }
func aboveMachine(l Level) bool       { return l != OwnValue }
func text[T fmt.Stringer](x T) string { return x.String() }

func optional[T any](p *T, write func(T) string) (string, bool) {
	if p == nil {
		return "", false
	}
	return write(*p), true
}

// Settings are all there are, in the order of pages and files.
var Settings = func() []Setting {
	var all []Setting
	add := func(s Setting) { all = append(all, s) }
	limit := func(p Product, warm, own bool) {
		s := Setting{Unit: "°C", Example: "5"}
		side := "cold"
		if warm {
			side, s.Field = "warm", FieldWarmLimit
		} else {
			s.Field, s.Example = FieldColdLimit, "-1"
		}
		s.Key, s.Title, s.levels = "limits."+side, fmt.Sprintf("%s limit", capital(side)), onlyMachine
		if !own {
			s.Key, s.Title, s.levels = "limits."+p.String()+"."+side, fmt.Sprintf("%s limit, %s", capital(side), productWords[p]), aboveMachine
		}
		s.Means = "The product itself, not the air, must not be " + map[bool]string{true: "warmer", false: "colder"}[warm] + " than this."
		if p == TCSFood && !own {
			s.Means += " TCS food needs control of time and temperature for safety."
		}
		switch {
		case !warm:
			s.Advice = "Water freezes at 0 °C, milk at about −0.5 °C, sugared drinks at about −1.5 °C (from memory): below that cans burst and milk is spoiled."
		case !own && p != SealedBeverage:
			s.Advice = "Food that needs cold for safety is held at 5 °C or less (FDA Food Code 3-501.16). A higher limit needs your authority’s consent."
		default:
			s.Advice = "Sealed soft drinks are no food that needs cold for safety; what is too warm to sell is yours to say. They are best held at 2.2 °C to 4.4 °C (common practice). Dairy and other such food: 5 °C (FDA Food Code 3-501.16)."
		}
		s.get = func(l *laid) (string, bool) {
			part := l.limits[p]
			if warm {
				return optional(part.warm, func(t quantity.Celsius) string { return number(float64(t)) })
			}
			return optional(part.cold, func(t quantity.Celsius) string { return number(float64(t)) })
		}
		add(s)
	}
	for p := range Product(NumProducts) {
		limit(p, true, false)
		limit(p, false, false)
	}
	limit(0, true, true)
	limit(0, false, true)
	const delays = " Temperatures move slowly: 60 s is where to begin for a temperature, ISA-18.2 and EEMUA 191 advise (from memory), and longer is right where product takes hours."
	for u := range Urgency(NumUrgencies) {
		s := Setting{
			Key: "alerting.on_delay." + u.String(), Title: "On-delay, " + u.String(), Field: FieldOnDelay + Field(u), levels: anywhere,
			Means:   "A finding must last this long before anybody is told.",
			Advice:  "At most " + map[bool]string{true: fmt.Sprintf("%g h", longestOn[u].Hours()), false: fmt.Sprintf("%g min", longestOn[u].Minutes())}[longestOn[u] >= time.Hour] + ", and not longer than that of a less urgent one.",
			Example: "10m",
			get:     func(l *laid) (string, bool) { return optional(l.alerting.OnDelay[u], Delay) },
		}
		if u == Low {
			s.Advice += delays
		}
		if u == Critical {
			s.Advice += " Air may pass 5 °C for at most 30 min after filling (FDA Food Code 4-204.111): what is critical should not wait."
		}
		add(s)
	}
	add(Setting{
		Key: "alerting.off_delay", Title: "Off-delay", Field: FieldOffDelay, levels: anywhere, Example: "15m",
		Means:  "A finding must stay cleared this long before its alert returns to normal; twice as long each time it came back within a day.",
		Advice: "An alert that comes three times in a minute chatters (ISA-18.2, from memory): an off-delay longer than a compressor’s cycle, 15 to 60 min, keeps it quiet.",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.OffDelay, Delay) },
	})
	add(Setting{
		Key: "alerting.restock_delay", Title: "On-delay after restock", Field: FieldRestockDelay, levels: anywhere, Example: "6h",
		Means:  "While warm stock is cooled down, product may be over its warm limit this long before that alone is told. Where it is set, other alerts below high wait for it too.",
		Advice: "Longer than this machine takes to cool a full load, 4 to 8 h for drinks (common practice). Food that needs cold is not loaded warm: keep this short there (FDA Food Code 4-204.111: 30 min for the air).",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.RestockDelay, Delay) },
	})
	add(Setting{
		Key: "alerting.deadband", Title: "Deadband", Unit: "K", Field: FieldDeadband, levels: anywhere, Example: "0.5",
		Means:  "Product must be this far inside its limit before it counts as back.",
		Advice: "1 % of the range of a temperature is where to begin (ISA-18.2 and EEMUA 191, from memory): about 0.5 K for a sensor of −10 °C to 40 °C. More than the thermostat’s differential hides a return.",
		get: func(l *laid) (string, bool) {
			return optional(l.alerting.Deadband, func(d quantity.Kelvin) string { return number(float64(d)) })
		},
	})
	add(Setting{
		Key: "alerting.false_alarms", Title: "Wanted false alarms", Unit: "a machine and year", Field: FieldFalseAlarms, levels: anywhere, Example: "1",
		Means:  "How many needless alerts of one machine in a year are accepted. Fewer means later.",
		Advice: "On call, at most 2 incidents in a shift of 12 h (published SRE practice); a person takes about 1 alarm in 10 min (ISA-18.2, EEMUA 191, from memory). Multiply by the machines one person has.",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.FalseAlarms, number) },
	})
	add(Setting{
		Key: "alerting.priority.at_least", Title: "Priority at least", Field: FieldAtLeast, levels: anywhere, Example: "medium",
		Means:  "No alert of these machines is less urgent, whatever is at stake.",
		Advice: "Priorities should come out near 80 % low, 15 % medium, 5 % high (ISA-18.2, EEMUA 191, from memory). Raise few machines.",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.AtLeast, text[Urgency]) },
	})
	add(Setting{
		Key: "alerting.priority.at_most", Title: "Priority at most", Field: FieldAtMost, levels: anywhere, Example: "high",
		Means:  "No alert of these machines is more urgent.",
		Advice: "Priority follows consequence and the time there is to respond (ISA-18.2). A machine with food that needs cold should be free to become critical.",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.AtMost, text[Urgency]) },
	})
	add(Setting{
		Key: "alerting.quiet_hours", Title: "Quiet hours", Field: FieldQuietHours, levels: anywhere, Example: "22:00-06:00",
		Means:  "By the site’s clock: alerts below high wait until these hours are over. High and critical never wait.",
		Advice: "What needs no answer now is no alarm now (ISA-18.2): at night it belongs into the morning’s summary.",
		get:    func(l *laid) (string, bool) { return optional(l.alerting.Quiet, text[Quiet]) },
	})
	for i := range 7 {
		d := (i + 1) % 7 // Monday first
		add(Setting{
			Key: "opening_hours." + days[d], Title: "Open, " + time.Weekday(d).String(), Field: Field(NumFields), levels: onlySite, Example: "06:00-22:00",
			Means:  "When a tech gets in, by the site’s clock; closed if on no hour.",
			Advice: "Routes and priorities count with it: product that cannot be reached before it spoils is said earlier.",
			get: func(l *laid) (string, bool) {
				if !l.hoursSet[d] {
					return "", false
				}
				return spansText(l.hours[d]), true
			},
		})
	}
	return all
}()

// productWords are products in a sentence.
var productWords = [NumProducts]string{SealedBeverage: "sealed beverages", Dairy: "dairy", TCSFood: "TCS food"}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// SettingByKey finds a row of the table.
func SettingByKey(key string) (*Setting, bool) {
	i := slices.IndexFunc(Settings, func(s Setting) bool { return s.Key == key })
	if i < 0 {
		return nil, false
	}
	return &Settings[i], true
}

var keyOrder = func() map[string]int {
	m := map[string]int{}
	for i := range Settings {
		m[Settings[i].Key] = i
	}
	return m
}()

// compareKeys orders keys as the table has them; what is none comes last.
func compareKeys(a, b string) int {
	rank := func(k string) int {
		if i, ok := keyOrder[k]; ok {
			return i
		}
		return len(keyOrder)
	}
	return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a, b))
}

// values returns what is set, as text.
func (l *laid) values(s Scope) map[string]string {
	out := map[string]string{}
	for i := range Settings {
		row := &Settings[i]
		if !row.At(s.Level) {
			continue
		}
		if t, ok := row.get(l); ok {
			out[row.Key] = t
		}
	}
	return out
}

// Value returns what applies to the machine, as text; "" where nobody said.
// Settings of sites are asked of the site.
func (s *Setting) Value(m *Machine) string {
	l := &laid{settings: settings{alerting: m.Alerting}}
	of := m.Product
	if s.At(OwnValue) {
		of = 0 // a machine's own limits stand for every product
	}
	l.limits[of] = partLimits{&m.Limits.Warm, &m.Limits.Cold}
	t, _ := s.get(l)
	return t
}

// SiteValue returns a setting of a site, as text; "" where nobody said.
func (s *Setting) SiteValue(at *Site) string {
	if at.Hours == nil {
		return ""
	}
	l := &laid{hours: *at.Hours}
	for d := range l.hoursSet {
		l.hoursSet[d] = true
	}
	t, _ := s.get(l)
	return t
}

// spansText writes the hours of a day as parseSpans reads them.
func spansText(spans []Span) string {
	if len(spans) == 0 {
		return "closed"
	}
	var out []string
	for _, s := range spans {
		to := s.To
		if to > 1440 {
			to -= 1440
		}
		out = append(out, fmt.Sprintf("%02d:%02d-%02d:%02d", s.From/60, s.From%60, to/60, to%60))
	}
	return strings.Join(out, ", ")
}
