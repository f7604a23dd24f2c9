package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"coilward/alerts/ledger"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/detect/fault"
	"coilward/detect/kin"
)

// mostVisits are taken for a trial, the newest first.
const mostVisits = 100_000

// visitsOf returns what people found at the machines, by the ledger of a data
// folder; nothing where there is none.
func visitsOf(ctx context.Context, data string) ([]trial.Visit, error) {
	path := filepath.Join(data, ledgerFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	l, err := ledger.Open(ctx, ledger.Options{Path: path})
	if err != nil {
		return nil, err
	}
	visits, err := visitsIn(ctx, l)
	return visits, errors.Join(err, l.Close())
}

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

// kinds returns what was known of kinds, from the file that the daemon wrote if
// there is one.
func (c *trialCommand) kinds(ctx context.Context, data string) ([]*kin.Version, error) {
	if c.Kinds == "" {
		return storedKinds(ctx, data)
	}
	return readKinds(c.Kinds)
}

// visits returns what was found, from the file that the daemon wrote if there is
// one.
func (c *trialCommand) visits(ctx context.Context, data string) ([]trial.Visit, error) {
	if c.Visits == "" {
		return visitsOf(ctx, data)
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
