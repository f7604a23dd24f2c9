package alerts

import (
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
)

// The rules for food under time and temperature control (TCS), FDA Food Code:
// 3-501.16(A)(2) holds it at 5 °C or less; 3-501.19 lets time stand in for
// temperature, 4 h, or 6 h if it never passes 21 °C; 4-204.111 shuts a vending
// machine off on failure, until it is serviced and restocked, and allows the air
// 30 min over 5 °C after a fill or a service. Local codes come first.
const (
	fourHours     = 4 * time.Hour
	sixHours      = 6 * time.Hour
	fillAllowance = 30 * time.Minute
	sixHourMax    = quantity.Celsius(21)
)

// FoodClock keeps the rule clocks of one machine with TCS food. It is fed with
// product temperatures in event time.
type FoodClock struct {
	Limit   quantity.Celsius // 5 °C unless a site says otherwise
	FillAt  collector.Millis // last fill or service; 0: none known
	OverAt  collector.Millis // first time over the limit since then; 0: not
	Above21 bool             // has passed 21 °C since then
	Latched bool             // may not be sold from until serviced and restocked
}

// HasFoodClock reports whether the rules apply to what the machine holds.
func HasFoodClock(p fleet.Product) bool { return p.TimeCounted() }

// Observe takes a product temperature. Time over the limit is counted from the
// first excess and does not start again when the product has cooled: the rule
// counts the whole time since temperature control was lost.
func (c *FoodClock) Observe(at collector.Millis, t quantity.Celsius) {
	if t > sixHourMax {
		c.Above21 = true
	}
	if t <= c.Limit || c.allowed(at) {
		return
	}
	if c.OverAt == 0 || at < c.OverAt {
		c.OverAt = at
	}
	c.Latched = true
}

// allowed reports whether at is within the allowance after a fill or a service.
func (c *FoodClock) allowed(at collector.Millis) bool {
	return c.FillAt != 0 && at >= c.FillAt && at.Sub(c.FillAt) <= fillAllowance
}

// Filled says that the machine was filled: the 30 minutes run. A fill alone does
// not open the latch, nor stop the clock of what was in there before.
func (c *FoodClock) Filled(at collector.Millis) { c.FillAt = max(c.FillAt, at) }

// Serviced says that the machine was serviced and restocked: the latch opens,
// the clocks start anew and the 30 minutes run.
func (c *FoodClock) Serviced(at collector.Millis) {
	*c = FoodClock{Limit: c.Limit, FillAt: at}
}

// DiscardAt is when the food must be used or discarded, by the 4 h rule and, if
// it was 5 °C or less at the start and never passed 21 °C, by the 6 h rule. ok is
// false while the food is within its limit.
func (c *FoodClock) DiscardAt() (four, six collector.Millis, ok bool) {
	if c.OverAt == 0 {
		return 0, 0, false
	}
	four = c.OverAt.Add(fourHours)
	six = four
	if !c.Above21 {
		six = c.OverAt.Add(sixHours)
	}
	return four, six, true
}

// take feeds the clock with what a finding says of the product. Where it has been
// out of its limits for a while, the clock runs from the first of it.
func (c *FoodClock) take(f *detect.Finding) {
	if f.FilledAt != 0 {
		c.Filled(f.FilledAt)
	}
	if !f.HasProduct {
		return
	}
	if f.OutSince != 0 && f.ProductTemperature > c.Limit {
		// The 30 minutes may have covered the first of it.
		from := f.OutSince
		if c.allowed(from) {
			from = min(c.FillAt.Add(fillAllowance)+1, f.At)
		}
		c.Observe(from, f.ProductTemperature)
	}
	c.Observe(f.At, f.ProductTemperature)
}

// clock returns the food clock of a machine, nil where the rules do not apply.
func (q *Queue) clock(machine string) *FoodClock {
	m := q.machines[machine]
	if m == nil || !HasFoodClock(m.Product) {
		return nil
	}
	c := q.clocks[machine]
	if c == nil {
		c = &FoodClock{Limit: limitsOf(m).Warm}
		q.clocks[machine] = c
	}
	return c
}

// Serviced says that a machine was serviced and restocked at a time: the food
// clock starts anew, and what is open about the machine is weighed again.
func (q *Queue) Serviced(machine string, at collector.Millis) []Change {
	out := q.Advance(at)
	c := q.clock(machine)
	if c == nil {
		return out
	}
	c.Serviced(at)
	for _, in := range q.incidents {
		if in.Machine == machine {
			out = append(out, q.weigh(in)...)
		}
	}
	q.schedule()
	return append(out, q.settle()...)
}

// forget drops the clock of a machine that nothing is open about: the next fault
// starts with one of its own.
func (q *Queue) forget(machine string) {
	if c := q.clocks[machine]; c == nil || c.allowed(q.now) {
		return // a fill of just now still counts
	}
	for _, in := range q.incidents {
		if in.Machine == machine {
			return
		}
	}
	for _, a := range q.alerts {
		if a.Machine == machine {
			return
		}
	}
	delete(q.clocks, machine)
}

// limitsOf are what the product must stay within; the contract's where the
// machine is not listed or says nothing.
func limitsOf(m *fleet.Machine) fleet.Limits {
	if m == nil {
		return fleet.SealedBeverage.Limits()
	}
	if m.Limits == (fleet.Limits{}) {
		return m.Product.Limits()
	}
	return m.Limits
}
