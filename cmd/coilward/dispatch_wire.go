package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/alerts/route/roads"
)

const (
	planGap   = 30 * time.Second // on the wall, at the speed of the wall
	planAgain = 5 * time.Minute
)

// checkRoster says what is wrong with the techs of a configuration.
func checkRoster(r *route.Roster) error {
	errs := []error{r.Validate()}
	for _, m := range r.Techs {
		for _, c := range m.Contacts {
			if !slices.Contains(notify.Channels, c.Channel) {
				errs = append(errs, fmt.Errorf("route: tech %q: contact channel %q is none of %v", m.ID, c.Channel, notify.Channels))
			}
		}
	}
	return errors.Join(errs...)
}

// checkLanguages says which techs there are no texts for.
func checkLanguages(r *route.Roster, texts *notify.Templates) error {
	var errs []error
	for _, m := range r.Techs {
		if m.Language != "" && !texts.Has(m.Language) {
			errs = append(errs, fmt.Errorf("route: tech %q: there are no texts in language %q, only in %v; write them into a folder of that name in texts_dir", m.ID, m.Language, texts.Languages()))
		}
	}
	return errors.Join(errs...)
}

// routeFiles reads what the planning of routes needs beside the configuration.
// parts is nil where no table of parts is named.
func (c *config) routeFiles() (parts *route.Parts, travel *roads.Server, err error) {
	var errs []error
	if name := c.Route.PartsFile; name != "" {
		text, err := os.ReadFile(name)
		if err != nil {
			errs = append(errs, fmt.Errorf("the table of parts cannot be read: %w", err))
		} else if parts, err = route.ParseParts(name, text); err != nil {
			errs = append(errs, err)
		}
	}
	token, err := secretOf(c.Travel.TokenFile)
	errs = append(errs, err)
	return parts, roads.New(roads.Options{Settings: c.Travel, Token: roads.Token(token)}), errors.Join(errs...)
}

// routes sets up the planning of routes. Where no techs are named there are none,
// until somebody adds them on the board.
func (d *daemon) routes(ctx context.Context) error {
	c := &d.config.Route
	if err := errors.Join(checkRoster(c), checkLanguages(c, d.texts)); err != nil {
		return err
	}
	parts, travel, err := d.config.routeFiles()
	if err != nil {
		return err
	}
	// Only the demonstration's clock is fast, and it is fast only later.
	gap, again := planGap, planAgain
	if _, wall := d.clock.(wallClock); !wall {
		gap, again = 2*time.Second, 10*time.Second
	}
	d.dispatch, err = newDispatcher(ctx, dispatchOptions{
		Roster: c, Parts: parts, Travel: travel, Links: d.links, Open: d.desk.Alerts, Fleet: d.fleet.Load, Clock: d.clock, Store: d.ledger, Team: d.team,
		BaseURL: d.config.Board.BaseURL, Gap: gap, Again: again, Changed: func() { d.bell.Ring(); d.notify.Wake() }, Log: part(d.log, "route"),
	})
	return err
}
