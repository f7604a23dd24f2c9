package notify

import (
	"time"

	"coilward/alerts"
	"coilward/collector/fleet"
)

// QuietOf returns a [TeamOptions] Quiet that keeps the quiet hours set for
// machines, by the clock of their site. An alert about several waits as long as
// the first of them that may be told.
func QuietOf(current func() *fleet.Fleet) func(*alerts.Alert, time.Time) time.Time {
	return func(a *alerts.Alert, at time.Time) time.Time {
		f := current()
		var earliest time.Time
		for _, m := range a.Members {
			end := at
			if spec, ok := f.Machine(m.Machine); ok {
				if site, ok := f.Site(spec.Site); ok && site.Location != nil {
					end, _ = spec.Alerting.Quiet.Until(at.In(site.Location))
				}
			}
			if earliest.IsZero() || end.Before(earliest) {
				earliest = end
			}
		}
		if earliest.IsZero() {
			return at
		}
		return earliest.In(at.Location())
	}
}
