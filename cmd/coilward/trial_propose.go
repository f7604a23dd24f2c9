package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"coilward/alerts/ledger"
	"coilward/alerts/settings"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// proposal is what is tried: two fleets, as they are in use and with the change.
type proposal struct {
	now, with *fleet.Fleet
	machines  []string // that count; nil: all
	against   []string // what standards and physics say against the change
}

// propose reads what is in use and what is proposed.
func (c *trialCommand) propose(ctx context.Context, conf *config, data string) (*proposal, error) {
	fileInUse := conf.FleetFile
	if c.FleetInUse != "" {
		fileInUse = c.FleetInUse
	}
	file, err := parseFleet(fileInUse)
	if err != nil {
		return nil, err
	}
	effect, err := storedSettings(ctx, data, time.Now())
	if c.SettingsInUse != "" {
		var all *fleet.Overrides
		all, err = readSettings(c.SettingsInUse)
		effect = settings.Effect{All: all}
	}
	if err != nil {
		return nil, err
	}
	out := &proposal{}
	if out.now, err = effect.At(file); err != nil {
		return nil, fmt.Errorf("the settings in use: %w", err)
	}
	state := effect.All
	if c.Settings != "" {
		if state, err = readSettings(c.Settings); err != nil {
			return nil, err
		}
	}
	edits, err := parseEdits(c.Set)
	if err != nil {
		return nil, err
	}
	if state, err = state.With(edits...); err != nil {
		return nil, err
	}
	if c.Fleet != "" {
		if file, err = parseFleet(c.Fleet); err != nil {
			return nil, err
		}
	}
	if out.with, err = file.With(state, nil); err != nil {
		return nil, err
	}
	trade := detect.NewLibrary().Trade()
	before := settings.Advise(out.now, effect.All, trade)
	for _, a := range settings.Advise(out.with, state, trade) {
		if !slices.ContainsFunc(before, func(b settings.Advice) bool { return b.String() == a.String() }) {
			out.against = append(out.against, a.String())
		}
	}
	return out, out.choose(c.Site, c.Machine)
}

// parseEdits reads changes as they are typed: "key=value" for the fleet, or
// "place: key=value".
func parseEdits(texts []string) (edits []fleet.Edit, err error) {
	var errs []error
	for _, t := range texts {
		place, rest := "fleet", t
		head, value, ok := strings.Cut(t, "=")
		if !ok {
			errs = append(errs, fmt.Errorf("%q: write a setting and its value, such as alerting.off_delay=30m", t))
			continue
		}
		if before, key, has := strings.Cut(head, ":"); has {
			place, rest = before, key
		} else {
			rest = head
		}
		scope, err := fleet.ParseScope(place)
		if err != nil {
			errs = append(errs, fmt.Errorf("%q: %w", t, err))
			continue
		}
		key := strings.TrimSpace(rest)
		s, ok := fleet.SettingByKey(key)
		if !ok || !s.At(scope.Level) {
			errs = append(errs, fmt.Errorf("%q: there is no setting %q for %s; coilward settings keys lists them", t, key, scope))
			continue
		}
		edits = append(edits, fleet.Edit{Scope: scope, Key: key, Value: value})
	}
	return edits, errors.Join(errs...)
}

func parseFleet(name string) (*fleet.Fleet, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("the fleet file cannot be read: %w", err)
	}
	return fleet.Parse(name, data)
}

func readSettings(name string) (*fleet.Overrides, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("the settings cannot be read: %w", err)
	}
	return fleet.ParseOverrides(name, data)
}

// storedSettings returns what is in effect by the ledger of a data folder; nothing
// is where there is no ledger yet.
func storedSettings(ctx context.Context, data string, at time.Time) (settings.Effect, error) {
	e, err := fromLedger(ctx, data, func(ctx context.Context, l *ledger.Ledger) (settings.Effect, error) {
		return settings.NewBook(l).Effect(ctx, at)
	})
	if e.All == nil {
		e.All = new(fleet.Overrides)
	}
	return e, err
}

// choose says which machines count, and checks that they are in one of the fleets.
func (p *proposal) choose(sites, machines []string) error {
	var unknown []string
	for _, id := range machines {
		if !p.now.Listed(id) && !p.with.Listed(id) {
			unknown = append(unknown, "machine "+id)
		}
	}
	p.machines = machines
	for _, id := range sites {
		found := false
		for _, f := range []*fleet.Fleet{p.now, p.with} {
			site, ok := f.Site(id)
			if !ok {
				continue
			}
			found = true
			for _, m := range site.Machines {
				if !slices.Contains(p.machines, m.ID) {
					p.machines = append(p.machines, m.ID)
				}
			}
		}
		if !found {
			unknown = append(unknown, "site "+id)
		}
	}
	if len(unknown) > 0 {
		return fmt.Errorf("not in the fleet file: %s", strings.Join(unknown, ", "))
	}
	return nil
}

// narrow gives the player both fleets, restricted to the sites of the machines
// that count.
func (p *proposal) narrow(to *player, machines []string) {
	p.now, p.with, to.machines = sitesOf(p.now, p.with, machines)
	to.base, to.fleets = p.now, [][]*fleet.Fleet{{p.now}, {p.with}}
	if fleet.SameForModels(p.now, p.with) {
		to.fleets = [][]*fleet.Fleet{{p.now, p.with}} // the models say the same in both
	}
}

// stretchOf returns the days that are tried; to is the newest reading's time if
// zero.
func stretchOf(store past, end time.Time, d time.Duration) (from, to collector.Millis, err error) {
	for _, m := range store.Machines() {
		to = max(to, m.LastReceived+1)
	}
	if to == 0 {
		return 0, 0, errors.New("the history is empty: there are no days to try anything on")
	}
	if !end.IsZero() {
		to = collector.MillisOf(end)
	}
	first := firstReceived(store)
	if from = max(to.Add(-d), first); from >= to {
		return 0, 0, fmt.Errorf("the history begins only at %s", first.Time().Format(time.RFC3339))
	}
	return from, to, nil
}

// firstReceived is when the first reading that is stored came in.
func firstReceived(store past) collector.Millis {
	first := collector.Millis(math.MaxInt64)
	for _, m := range store.Machines() {
		first = min(first, m.FirstReceived)
	}
	return first
}

// sitesOf restricts both fleets to the sites of the chosen machines, and returns
// the machines there; all, and nil, if none are chosen.
func sitesOf(now, with *fleet.Fleet, machines []string) (a, b *fleet.Fleet, replayed map[string]bool) {
	if len(machines) == 0 {
		return now, with, nil
	}
	wanted := map[string]bool{}
	for _, f := range []*fleet.Fleet{now, with} {
		for _, id := range machines {
			if m, ok := f.Machine(id); ok {
				wanted[m.Site] = true
			}
		}
	}
	replayed = map[string]bool{}
	part := func(f *fleet.Fleet) *fleet.Fleet {
		g := f.Part(func(site string) bool { return wanted[site] })
		for m := range g.All {
			replayed[m.ID] = true
		}
		return g
	}
	return part(now), part(with), replayed
}
