package main

import (
	"context"
	"time"

	"coilward/alerts"
	"coilward/alerts/trial"
	"coilward/collector/fleet"
	"coilward/detect"
)

// patience is by what on-delays are multiplied in a search for better settings.
var patience = []float64{1, 3}

// suggest replays the days under a grid of settings: the proposed ones with other
// wanted rates of false alarms, and with longer on-delays.
func (c *trialCommand) suggest(ctx context.Context, s *streams, p *player, both *proposal, visits []trial.Visit, base float64) (*trial.Suggestion, error) {
	rates := []float64{0} // as they are
	for _, point := range detect.NewLibrary().Trade().Points {
		if point.RaiseAt >= 0.75 { // below, half of what is said is wrong
			rates = append(rates, point.FalseAlarms)
		}
	}
	var grid []trial.Setting
	search := &player{store: p.store, base: p.base, machines: p.machines, learn: p.learn, from: p.from, to: p.to, shards: p.shards, kinds: p.kinds}
	for _, rate := range rates {
		var fleets []*fleet.Fleet
		for _, times := range patience {
			x := trial.Setting{FalseAlarms: rate, OnDelay: times, OnDelays: both.delays(times)}
			grid = append(grid, x)
			fleets = append(fleets, both.with.Altered(func(m *fleet.Machine) { adjust(&m.Alerting, x) }))
		}
		search.fleets = append(search.fleets, fleets)
	}
	defer search.watch(s.err, c.Child, base, 1-base)()
	return trial.Suggest(ctx, trial.SuggestOptions{
		From: p.from, To: p.to, Machines: both.machines, Fleet: both.with.Len(), Wanted: c.Suggest, Settings: grid, Play: search.play, Visits: visits,
	})
}

// delays are the on-delays of the first machine that counts, multiplied; nil where
// they stay.
func (p *proposal) delays(times float64) map[string]string {
	if times == 1 {
		return nil
	}
	var a fleet.Alerting
	for m := range p.with.All {
		if len(p.machines) == 0 || m.ID == p.machines[0] {
			a = m.Alerting
			break
		}
	}
	adjust(&a, trial.Setting{OnDelay: times})
	out := map[string]string{}
	for u, d := range a.OnDelay {
		out[fleet.Urgency(u).String()] = fleet.Delay(*d)
	}
	return out
}

// adjust applies a setting of the grid to a machine's.
func adjust(a *fleet.Alerting, x trial.Setting) {
	if x.FalseAlarms > 0 {
		a.FalseAlarms = &x.FalseAlarms
	}
	if x.OnDelay == 1 {
		return
	}
	built := alerts.DefaultDelays().On
	for u := range a.OnDelay {
		d := built[u]
		if a.OnDelay[u] != nil {
			d = *a.OnDelay[u]
		}
		d = min(time.Duration(float64(d)*x.OnDelay).Round(time.Second), fleet.LongestOnDelay(fleet.Urgency(u)))
		a.OnDelay[u] = &d
	}
}
