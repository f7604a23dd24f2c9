package main

import (
	"sync"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// untouched is the alert queue as it would be if nobody did anything about alerts: as
// in a replay. It is saved with the models, for trials to go on from both.
type untouched struct {
	mu sync.Mutex
	q  *alerts.Queue // guarded by mu
}

func newUntouched(f *fleet.Fleet) *untouched {
	return &untouched{q: alerts.New(alerts.Options{Fleet: f})}
}

func (u *untouched) take(upTo collector.Millis, findings []detect.Finding) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for _, f := range findings {
		u.q.Apply(f)
	}
	u.q.Advance(upTo)
}

func (u *untouched) setFleet(f *fleet.Fleet) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.q.SetFleet(f)
}

func (u *untouched) snapshot() ([]byte, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.q.Snapshot()
}
