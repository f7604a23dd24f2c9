package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"

	"coilward/alerts/ledger"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/detect/fault"
)

// mostVisits are taken for a trial, the newest first.
const mostVisits = 100_000

// visitsIn returns what people found at the machines, by a ledger.
func visitsIn(ctx context.Context, l *ledger.Ledger) ([]trial.Visit, error) {
	kept, err := l.Visits(ctx, ledger.VisitQuery{Labelled: true, Limit: mostVisits})
	if err != nil {
		return nil, err
	}
	out := make([]trial.Visit, 0, len(kept))
	for _, k := range kept {
		v := trial.Visit{Machine: k.Machine, At: collector.MillisOf(k.At)}
		if err := v.Fault.UnmarshalText([]byte(k.Label)); err != nil {
			continue // a word of another version: what it means is not known
		}
		v.Found = v.Fault != fault.Well
		out = append(out, v)
	}
	return out, nil
}

// visits returns what was found, from the file that the daemon wrote if there is
// one.
func (c *trialCommand) visits(ctx context.Context, data string) ([]trial.Visit, error) {
	if c.Visits == "" {
		return fromLedger(ctx, data, visitsIn)
	}
	b, err := os.ReadFile(c.Visits)
	if err != nil {
		return nil, err
	}
	var out []trial.Visit
	if err := json.Unmarshal(b, &out); err != nil {
		return nil, fmt.Errorf("%s: %w", c.Visits, err)
	}
	return out, nil
}
