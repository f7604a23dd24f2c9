package main

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"coilward/alerts/board"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
)

// What people edit on the board is kept in the ledger, and stands before the
// configuration from then on.
const (
	techsSetting = "route techs"
	partsSetting = "route parts"
)

// crew is who can be sent and what they load. The dispatcher's lock guards it.
type crew struct {
	roster *route.Roster
	parts  *route.Parts
	techs  board.Saved // zero: from the configuration
	table  board.Saved // likewise
}

// readCrew lays what was kept over the configuration. What can no longer be read
// is left aside and said, so that techs are sent all the same.
func (d *dispatcher) readCrew(ctx context.Context) error {
	d.crew = crew{roster: d.o.Roster, parts: d.o.Parts}
	if d.crew.parts == nil {
		d.crew.parts = route.DefaultParts()
	}
	s, err := d.o.Store.Setting(ctx, techsSetting)
	switch {
	case errors.Is(err, ledger.ErrNone):
	case err != nil:
		return err
	default:
		d.crew.techs = savedOf(s)
		techs, err := route.ParseTechs(s.Body)
		if err == nil {
			var r *route.Roster
			if r, err = d.o.Roster.WithTechs(techs); err == nil {
				d.crew.roster = r
			}
		}
		if err != nil {
			d.o.Log.Error().Err(err).Msg("the techs that were edited on the board cannot be used; those of the configuration are")
		}
	}
	s, err = d.o.Store.Setting(ctx, partsSetting)
	switch {
	case errors.Is(err, ledger.ErrNone):
	case err != nil:
		return err
	default:
		d.crew.table = savedOf(s)
		parts, err := route.ParseParts("the table of parts", s.Body)
		if err != nil {
			d.o.Log.Error().Err(err).Msg("the table of parts that was edited on the board cannot be used; the one of the configuration is")
		} else {
			d.crew.parts = parts
		}
	}
	return nil
}

func savedOf(s ledger.Setting) board.Saved {
	return board.Saved{Version: s.Version, At: s.At, Who: s.Who, Why: s.Why}
}

// Crew is who can be sent and what they load, as they are now.
func (d *dispatcher) Crew() board.CrewSheet {
	d.mu.Lock()
	defer d.mu.Unlock()
	return board.CrewSheet{Techs: slices.Clone(d.crew.roster.Techs), Parts: d.crew.parts, TechsSaved: d.crew.techs, PartsSaved: d.crew.table}
}

// SaveTechs keeps techs that were edited from a version, and plans with them.
func (d *dispatcher) SaveTechs(ctx context.Context, techs []route.Member, base int, who, why string) error {
	r, err := d.o.Roster.WithTechs(techs)
	if err != nil {
		return err
	}
	if err := checkRoster(r); err != nil {
		return err
	}
	body, err := route.TechsJSON(techs)
	if err != nil {
		return err
	}
	return d.keepCrew(ctx, techsSetting, body, base, who, why, func(s board.Saved) { d.crew.roster, d.crew.techs = r, s })
}

// SaveParts keeps a table of parts, likewise.
func (d *dispatcher) SaveParts(ctx context.Context, parts *route.Parts, base int, who, why string) error {
	body, err := parts.JSON()
	if err != nil {
		return err
	}
	return d.keepCrew(ctx, partsSetting, body, base, who, why, func(s board.Saved) { d.crew.parts, d.crew.table = parts, s })
}

func (d *dispatcher) keepCrew(ctx context.Context, name string, body []byte, base int, who, why string, use func(board.Saved)) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	s, err := d.o.Store.Save(ctx, ledger.Setting{Name: name, At: d.o.Clock.Now(), Who: who, Why: why, Body: body}, base)
	if err != nil {
		return fmt.Errorf("not kept: %w", err)
	}
	use(savedOf(s))
	d.o.Log.Info().Str("setting", name).Int("version", s.Version).Str("by", who).Msg("edited on the board")
	d.Wake()
	return nil
}

// used takes parts out of a tech's van, where the van's parts are kept.
func (d *dispatcher) used(ctx context.Context, tech string, parts map[string]int, what string) error {
	if len(parts) == 0 {
		return nil
	}
	sheet := d.Crew()
	i := slices.IndexFunc(sheet.Techs, func(m route.Member) bool { return m.ID == tech })
	if i < 0 || len(sheet.Techs[i].Van) == 0 {
		return nil
	}
	left := route.Use(sheet.Techs[i].Van, parts)
	if fmt.Sprint(left) == fmt.Sprint(sheet.Techs[i].Van) {
		return nil // nothing of it was known to be in there
	}
	sheet.Techs[i].Van = left
	return d.SaveTechs(ctx, sheet.Techs, sheet.TechsSaved.Version, sheet.Techs[i].Name, what)
}
