package fleet

import "coilward/collector/quantity"

// The limits that apply when nobody says otherwise. They are what the product
// must keep, not the air, and they are no substitute for the local food code.
var products = [NumProducts]struct {
	name   string
	limits Limits
	timed  bool
	source string
}{
	// Sealed soft drinks are not food that needs temperature control for
	// safety: the warm limit is what still sells. Water in a drink freezes
	// below 0 °C, sugared drinks at about −1.5 °C (from memory), so a can held
	// at −1 °C is about to freeze and burst.
	SealedBeverage: {"sealed-beverage", Limits{Warm: 7, Cold: -1}, false, "common practice, no source"},

	// 5 °C (41 °F): FDA Food Code 3-501.16(A)(2), cold holding. Milk freezes at
	// about −0.5 °C (from memory).
	Dairy:   {"dairy", Limits{Warm: 5, Cold: -1}, true, "FDA Food Code 3-501.16(A)(2)"},
	TCSFood: {"tcs-food", Limits{Warm: 5, Cold: -1}, true, "FDA Food Code 3-501.16(A)(2)"},
}

// Limits returns the product's limits where neither the fleet file nor a
// setting says otherwise.
func (p Product) Limits() Limits { return products[p].limits }

// LimitSource names where the warm limit of Limits comes from.
func (p Product) LimitSource() string { return products[p].source }

// TimeCounted reports whether time above the warm limit is counted towards
// the 4 h after which the product is discarded (FDA Food Code 3-501.19(B)).
func (p Product) TimeCounted() bool { return products[p].timed }

// BeverageBand is what a sealed beverage is best held in: 36–40 °F, common
// practice, no source.
var BeverageBand = Limits{Warm: 4.4, Cold: 2.2}

// Holds reports whether t is within the limits.
func (l Limits) Holds(t quantity.Celsius) bool { return l.Cold <= t && t <= l.Warm }

func productNames() []string {
	names := make([]string, NumProducts)
	for p := range products {
		names[p] = products[p].name
	}
	return names
}
