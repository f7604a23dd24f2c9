package board

import (
	"coilward/alerts"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// cautions are what to show before somebody opens this machine for one of
// these causes, the gravest first.
func cautions(m *fleet.Machine, causes []fault.Fault) []string {
	var out []string
	for _, c := range fault.Cautions(m.Refrigerant, alerts.HasFoodClock(m.Product), causes...) {
		out = append(out, c.Text(m.Refrigerant))
	}
	return out
}
