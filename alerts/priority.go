package alerts

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// Priority is how soon somebody must act. Higher is more urgent.
type Priority uint8

// Priorities, each with the response it asks for.
const (
	Low      Priority = iota // at the next ordinary visit; in the morning summary
	Medium                   // a stop in the next planned round
	High                     // a drive today
	Critical                 // now, whatever the hour
	NumPriorities
)

var priorityNames = [NumPriorities]string{"low", "medium", "high", "critical"}

func (p Priority) String() string { return priorityNames[p] }

// MarshalText writes the priority's name.
func (p Priority) MarshalText() ([]byte, error) { return []byte(priorityNames[p]), nil }

// UnmarshalText reads a priority's name.
func (p *Priority) UnmarshalText(b []byte) error {
	for i, n := range priorityNames {
		if n == string(b) {
			*p = Priority(i)
			return nil
		}
	}
	return fmt.Errorf("priority %q is none of low, medium, high, critical", b)
}

// Response is what answering with one priority means: how long until somebody
// sets out, what that costs, and what it costs more when nothing is found.
type Response struct {
	Delay time.Duration // from the alert to setting out
	Cost  float64       // money
	Waste float64       // money, more, if nothing is wrong: the stop, and trust
}

// DefaultResponses weigh the four answers. Common practice, no source: a stop
// in a round that is driven anyway costs its minutes, a drive of its own the
// hour, a night call the hour and the next day's work.
var DefaultResponses = [NumPriorities]Response{
	Low:      {7 * 24 * time.Hour, 0, 0},
	Medium:   {16 * time.Hour, 25, 90},
	High:     {2 * time.Hour, 60, 90},
	Critical: {15 * time.Minute, 150, 180},
}

// Rules turn a finding into a priority. Use [NewRules].
type Rules struct {
	Responses    [NumPriorities]Response
	Consequences [fault.Num]Consequence
	Spoilage     [fleet.NumProducts][3]Spoilage
	Currency     string        // written before an amount
	MeanHiccup   time.Duration // mean length of a link's ordinary outage
	SilenceStays float64       // share of silences that are more than that
	Hold         time.Duration // a closed cabinet without power keeps its product about this long

	// Travel to a site from where the tech is expected to be; nil: TravelTime for all.
	Travel     func(site string) time.Duration
	TravelTime time.Duration
	// Open returns the first time at or after t at which the site lets a tech
	// in; nil: always.
	Open func(site string, t time.Time) time.Time
}

// NewRules returns the defaults. Hold is the consumer advice of USDA and FDA for
// a closed refrigerator without power, about 4 h; the forecast replaces it where
// there is one.
func NewRules() *Rules {
	return &Rules{
		Responses: DefaultResponses, Consequences: DefaultConsequences, Spoilage: DefaultSpoilage,
		Currency: "$", MeanHiccup: 2 * time.Hour, SilenceStays: 0.1, Hold: 4 * time.Hour,
		TravelTime: 50 * time.Minute,
	}
}

// For returns the rules for a fleet: where they do not say themselves, amounts are
// in its currency, and techs get in when its sites are open.
func (r *Rules) For(f *fleet.Fleet) *Rules {
	out := *r
	if f == nil {
		return &out
	}
	if s, known := currencySigns[f.Currency]; known {
		out.Currency = s
	} else if f.Currency != "" {
		out.Currency = f.Currency + " "
	}
	if r.Open == nil {
		out.Open = func(site string, t time.Time) time.Time {
			s, ok := f.Site(site)
			if !ok || s.Hours == nil {
				return t
			}
			local := t
			if s.Location != nil {
				local = t.In(s.Location)
			}
			if open, ok := s.Hours.NextOpen(local); ok {
				return open
			}
			return t // never open by its hours: somebody has a key, or the hours are wrong
		}
	}
	return &out
}

var currencySigns = map[string]string{"USD": "$", "EUR": "€", "GBP": "£"}

// Assessment is a weighed finding.
type Assessment struct {
	Priority Priority
	Expected [NumPriorities]float64 // money lost and spent if answered with each priority
	Reason   Reason                 // why, as facts
	Why      string                 // likewise, as one line at the moment of weighing
	Sick     float64                // probability that something is wrong
	Lead     time.Duration          // expected time left to the product's limit; negative: over it
	Limited  bool                   // Lead means something
	Value    float64                // of the load, money
	Travel   time.Duration          // to the machine
}

// Assess weighs the finding at now (event time):
//
//	E(k) = cost_k·P(go_k) + waste_k·P(go_k, well) + Σ_c p_c·[ rate_c·t_k,c + V·E share(t_k,c − L) + harm ]
//
// over the candidate causes c, where t_k,c is when the machine cools again if
// answered with k (delay, travel, opening hours, repair of c), V the value of the
// load and L the time the product leaves its limit, a two-piece normal through the
// forecast's early (10 %), expected and late (90 %) time. go_k is that somebody
// does set out: an answer that waits is called off when the trouble passes by
// itself before. The cheapest k is the priority. m may be nil for a machine nobody
// listed.
func (r *Rules) Assess(f *detect.Finding, m *fleet.Machine, now collector.Millis) Assessment {
	return r.AssessAll([]Stake{{Finding: f, Machine: m}}, now)
}

// Stake is a finding, the machine it is about, and what is known of its product.
type Stake struct {
	Finding  *detect.Finding
	Machine  *fleet.Machine   // nil: nobody listed it
	Clock    *FoodClock       // nil: the rules do not apply
	OutSince collector.Millis // the product was found outside its limits from then on; 0: it was not
}

// AssessAll weighs findings that one answer settles: their losses add up, the
// answer is paid once. The reason names the one that loses most.
func (r *Rules) AssessAll(stakes []Stake, now collector.Millis) Assessment {
	a := Assessment{}
	well, worst, lead := 1.0, -1.0, 0
	var leads weight
	var goes, wasted [NumPriorities]float64
	for i, s := range stakes {
		w := r.weigh(s, now)
		well = min(well, 1-w.sick)
		a.Value += w.value
		for k, l := range w.loss {
			a.Expected[k] += l
			goes[k] = max(goes[k], w.goes[k])
			if i == 0 || w.wasted[k] < wasted[k] {
				wasted[k] = w.wasted[k]
			}
		}
		if w.loss[Low] > worst {
			worst, lead, leads = w.loss[Low], i, w
			a.Travel, a.Limited, a.Lead = w.travel, w.limit.known, w.limit.at.Sub(now)
		}
	}
	a.Sick = 1 - well
	for k, resp := range r.Responses {
		a.Expected[k] += resp.Cost*goes[k] + resp.Waste*wasted[k]
		if a.Expected[k] < a.Expected[a.Priority] {
			a.Priority = Priority(k)
		}
	}
	if len(stakes) > 0 {
		a.Reason = r.reason(stakes[lead], leads, a.Value, a.Sick, len(stakes))
		a.Why = a.Reason.Line(now, Live{})
	}
	return a
}

// weight is one stake weighed.
type weight struct {
	loss   [NumPriorities]float64 // expected, if answered with each priority
	goes   [NumPriorities]float64 // probability that somebody sets out
	wasted [NumPriorities]float64 // likewise, and finds nothing wrong
	sick   float64
	value  float64
	travel time.Duration
	limit  forecast
}

func (r *Rules) weigh(s Stake, now collector.Millis) weight {
	f := s.Finding
	w := weight{travel: r.TravelTime, limit: r.limitOf(s, now)}
	w.value, _ = loadValue(s.Machine)
	if r.Travel != nil {
		w.travel = r.Travel(f.Site)
	}
	spoil := r.Spoilage[productOf(s.Machine)][w.limit.side]
	var arrive [NumPriorities]time.Duration
	for k := range arrive {
		arrive[k] = r.arrival(f.Site, now, r.Responses[k].Delay+w.travel)
	}
	right, lasts := 0.0, 1.0
	if f.Fault == fault.Silent {
		// Whatever ails a silent machine, most silences pass by themselves.
		lasts = persists(now.Sub(f.Since), r.MeanHiccup, r.SilenceStays)
	}
	for _, c := range causes(f) {
		p := c.Probability * lasts
		right += c.Probability
		w.sick += p
		q := r.Consequences[c.Fault]
		if f.Fault == fault.Silent && !f.HasProduct {
			// Nobody watched its product before; silence takes nothing away, and
			// whoever comes to fill it sees whether it runs.
			q.PerDay, q.Creep = 0, 0
		}
		for k := range w.loss {
			back := arrive[k] + q.Repair
			loss := (q.PerDay + q.Creep*w.value) * back.Hours() / 24
			if q.Products && w.limit.known {
				loss += w.limit.expect(now, func(over time.Duration) float64 {
					return w.value * (spoil.lossAt(over+back) + spoil.Sales*max(0, min(over, 0)+back).Hours()/24)
				})
				loss += w.limit.expect(now, func(over time.Duration) float64 {
					return spoil.PerHour * math.Max(0, (over+arrive[k]).Hours())
				})
			}
			w.loss[k] += p * loss
		}
	}
	w.sick = math.Min(1, w.sick)
	passing := math.Min(1, right) - w.sick
	for k, resp := range r.Responses {
		still := passing * math.Exp(-resp.Delay.Hours()/r.MeanHiccup.Hours())
		w.goes[k] = 1 - passing + still
		w.wasted[k] = math.Max(0, 1-math.Min(1, right)) + still
	}
	return w
}

func productOf(m *fleet.Machine) fleet.Product {
	if m == nil {
		return fleet.SealedBeverage
	}
	return m.Product
}

// Settle keeps the priority that was, unless the new one is clearly cheaper: by
// a tenth of what the old would cost, and by 10 in money. It keeps the priority
// from chattering while the time left shrinks.
func (a *Assessment) Settle(was Priority) Priority {
	old, best := a.Expected[was], a.Expected[a.Priority]
	if old-best < math.Max(10, 0.1*old) {
		return was
	}
	return a.Priority
}

// arrival is when somebody who takes d from now can be let in, from now.
func (r *Rules) arrival(site string, now collector.Millis, d time.Duration) time.Duration {
	if r.Open == nil {
		return d
	}
	return r.Open(site, now.Time().Add(d)).Sub(now.Time())
}

// causes are the candidates that are something wrong, scaled only if they were
// said with more than certainty.
func causes(f *detect.Finding) []detect.Candidate {
	out := make([]detect.Candidate, 0, len(f.Candidates)+1)
	sum, lead := 0.0, false
	for _, c := range f.Candidates {
		if c.Fault == fault.Well {
			continue
		}
		out = append(out, c)
		sum += c.Probability
		lead = lead || c.Fault == f.Fault
	}
	if !lead && f.Fault != fault.Well {
		out = append(out, detect.Candidate{Fault: f.Fault, Probability: f.Probability})
		sum += f.Probability
	}
	if sum > 1 {
		for i := range out {
			out[i].Probability /= sum
		}
	}
	return out
}

// forecast is when the product leaves its limit, as a two-piece normal.
type forecast struct {
	known           bool
	at              collector.Millis
	forecastAt      collector.Millis // what was forecast, where at is a known fact of before; 0: nothing
	sdEarly, sdLate float64          // hours
	side            detect.Side
}

// limitOf is when the stake's product leaves its limit: when it did, as far as
// that is known by the food clock or the findings, or by the forecast; for a
// machine without power and without a forecast, by the rule of thumb for a closed
// cabinet.
func (r *Rules) limitOf(s Stake, now collector.Millis) forecast {
	f := s.Finding
	l := r.forecastOf(f, now)
	switch {
	case s.Clock != nil && s.Clock.OverAt != 0:
		return forecast{known: true, at: s.Clock.OverAt, forecastAt: l.forecastAt, side: detect.Warm}
	case s.OutSince != 0 && l.known:
		return forecast{known: true, at: s.OutSince, forecastAt: l.forecastAt, side: l.side}
	case s.OutSince != 0:
		return forecast{known: true, at: s.OutSince, side: side(f.ProductTemperature, limitsOf(s.Machine))}
	}
	return l
}

func (r *Rules) forecastOf(f *detect.Finding, now collector.Millis) forecast {
	const z90 = 1.2815515655446004 // standard normal 90 % quantile
	l := forecast{known: f.LimitAt != 0, at: f.LimitAt, forecastAt: f.LimitAt, side: f.LimitSide}
	if !l.known && f.Fault == fault.PowerLost {
		since := f.Since
		if since == 0 {
			since = f.At
		}
		at := since.Add(r.Hold)
		return forecast{known: true, at: at, forecastAt: at, sdEarly: r.Hold.Hours() / 3, sdLate: r.Hold.Hours(), side: detect.Warm}
	}
	if !l.known {
		return l
	}
	if l.side == detect.NoSide {
		l.side = detect.Warm
	}
	// With no bounds given, a quarter of the time left either way.
	rough := 0.25 * math.Max(0, l.at.Sub(now).Hours()) / z90
	l.sdEarly, l.sdLate = rough, rough
	if f.LimitEarly != 0 && f.LimitEarly <= l.at {
		l.sdEarly = l.at.Sub(f.LimitEarly).Hours() / z90
	}
	if f.LimitLate != 0 && f.LimitLate >= l.at {
		l.sdLate = f.LimitLate.Sub(l.at).Hours() / z90
	}
	return l
}

// midQuantiles are the standard normal quantiles at (i+½)/16, upper half.
var midQuantiles = [8]float64{0.0784124, 0.2372021, 0.4022501, 0.5791322, 0.7764218, 1.0099902, 1.3180109, 1.8627319}

// expect averages v over the forecast; over is how long ago, seen from now, the
// product left its limit (negative: it is yet to).
func (l forecast) expect(now collector.Millis, v func(over time.Duration) float64) float64 {
	over := -l.at.Sub(now).Hours()
	sum := 0.0
	for _, z := range midQuantiles {
		sum += v(hours(over+z*l.sdEarly)) + v(hours(over-z*l.sdLate))
	}
	return sum / (2 * float64(len(midQuantiles)))
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// MarshalJSON writes the assessment for logs and snapshots, money rounded to cents.
func (a Assessment) MarshalJSON() ([]byte, error) {
	e := map[string]float64{}
	for k, v := range a.Expected {
		e[Priority(k).String()] = math.Round(v*100) / 100
	}
	return json.Marshal(map[string]any{"priority": a.Priority, "expected": e, "why": a.Why})
}
