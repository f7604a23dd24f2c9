package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"text/tabwriter"
	"time"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect"
)

// settingsCommand groups what is done with the settings laid over the fleet file.
type settingsCommand struct {
	Export  settingsExport  `cmd:"" help:"Write all settings in effect as YAML."`
	Import  settingsImport  `cmd:"" help:"Make settings of a YAML file a version."`
	List    settingsList    `cmd:"" help:"List the versions: who, when, why, and what changed."`
	Undo    settingsUndo    `cmd:"" help:"Take a version back: everything is again as it was before it."`
	Confirm settingsConfirm `cmd:"" help:"Let what one site tries, or what waits for its time, come into effect everywhere."`
	Keys    settingsKeys    `cmd:"" help:"List what can be set, and what the standards advise."`
}

// settingsFiles say which daemon's settings are meant.
type settingsFiles struct {
	Config string `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file."`
}

// person is who makes a version.
type person struct {
	Who string `placeholder:"NAME" help:"Who does it; the user's name if left out."`
	Why string `required:"" placeholder:"TEXT" help:"Why; the next one will ask."`
}

func (p *person) name() string {
	if p.Who != "" {
		return p.Who
	}
	if u, err := user.Current(); err == nil {
		if u.Name != "" {
			return u.Name
		}
		return u.Username
	}
	return ""
}

// with opens the book of the daemon's ledger, beside a running daemon too, which
// takes a new version within seconds.
func (f *settingsFiles) with(ctx context.Context, s *streams, what string, do func(b *settings.Book, file *fleet.Fleet, now time.Time) error) int {
	err := func() error {
		conf, err := readConfig(f.Config)
		if err != nil {
			return err
		}
		file, err := parseFleet(conf.FleetFile)
		if err != nil {
			return err
		}
		if err := os.MkdirAll(conf.DataDir, 0o750); err != nil {
			return fmt.Errorf("data_dir cannot be made: %w", err)
		}
		l, err := openLedger(ctx, conf.DataDir)
		if err != nil {
			return err
		}
		return errors.Join(do(settings.NewBook(l), file, time.Now()), l.Close())
	}()
	return s.failed("settings "+what, err)
}

type settingsExport struct {
	settingsFiles
	Version int `placeholder:"N" help:"As they were set by this version; those in effect if left out."`
}

func (c *settingsExport) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "export", func(b *settings.Book, _ *fleet.Fleet, now time.Time) error {
		log, err := b.Versions(ctx)
		if err != nil {
			return err
		}
		e, err := b.Effect(ctx, now)
		if err != nil {
			return err
		}
		state := e.All
		if c.Version != 0 {
			state = nil
			for _, v := range log {
				if v.Number == c.Version {
					state = v.State
				}
			}
			if state == nil {
				return fmt.Errorf("there are no settings of version %d", c.Version)
			}
		}
		_, err = s.out.Write(state.YAML())
		return err
	})
}

type settingsImport struct {
	settingsFiles
	person
	Apply time.Time `placeholder:"TIME" help:"Not before this time, such as 2026-07-06T06:00:00Z; at once if left out."`
	Pilot string    `placeholder:"SITE" help:"This site has it first, for a week; then all, by themselves."`
	Ask   bool      `help:"With --pilot: then only on settings confirm."`
	File  string    `arg:"" type:"path" help:"YAML as settings export writes it: all that is to be set. - is standard input."`
}

func (c *settingsImport) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "import", func(b *settings.Book, file *fleet.Fleet, now time.Time) error {
		state, err := c.read(s.in)
		if err != nil {
			return err
		}
		e, err := b.Effect(ctx, now)
		if err != nil {
			return err
		}
		v, err := b.Save(ctx, file, settings.Change{Who: c.name(), Why: c.Why, Base: e.Number, State: state, ApplyAt: c.Apply, Pilot: c.Pilot, Ask: c.Ask}, now)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "version %d\n", v.Number)
		writeChanges(s.out, fleet.Diff(e.All, v.State))
		return adviseOn(s.out, file, v.State)
	})
}

func (c *settingsImport) read(in io.Reader) (*fleet.Overrides, error) {
	if c.File != "-" {
		return readSettings(c.File)
	}
	data, err := io.ReadAll(in)
	if err != nil {
		return nil, err
	}
	return fleet.ParseOverrides("standard input", data)
}

// adviseOn tells what the standards and physics say against settings.
func adviseOn(out io.Writer, file *fleet.Fleet, state *fleet.Overrides) error {
	f, err := file.With(state, nil)
	if err != nil {
		return err
	}
	for _, a := range settings.Advise(f, state, detect.NewLibrary().Trade()) {
		fmt.Fprintf(out, "advice: %s\n", a)
	}
	return nil
}

func writeChanges(out io.Writer, changes []fleet.Difference) {
	for _, d := range changes {
		fmt.Fprintf(out, "  %s: %s: %s → %s\n", d.Scope, d.Key, orNot(d.From), orNot(d.To))
	}
}

func orNot(value string) string {
	if value == "" {
		return "not set"
	}
	return value
}

type settingsList struct{ settingsFiles }

func (c *settingsList) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "list", func(b *settings.Book, _ *fleet.Fleet, now time.Time) error {
		entries, err := b.Entries(ctx, now)
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			fmt.Fprintln(s.out, "Nothing was ever changed: the fleet file alone applies.")
		}
		for i := range entries {
			e := &entries[i]
			fmt.Fprintf(s.out, "%d  %s  %s: %s (%s)\n", e.Number, e.At.Format(time.DateTime+" UTC"), e.Who, e.Why, phaseWords(e))
			writeChanges(s.out, e.Changes)
		}
		return nil
	})
}

// phaseWords say how far a version has come.
func phaseWords(e *settings.Entry) string {
	switch {
	case e.Confirms != 0:
		return fmt.Sprintf("confirms version %d", e.Confirms)
	case e.Phase == settings.Waiting:
		return "waits for " + e.ApplyAt.UTC().Format(time.DateTime+" UTC")
	case e.Phase == settings.Piloted:
		return "tried at " + e.Pilot
	case e.Phase == settings.Replaced && e.TakenBack != 0:
		return fmt.Sprintf("taken back by version %d", e.TakenBack)
	case e.Undoes != 0:
		return fmt.Sprintf("%s, takes back version %d", e.Phase, e.Undoes)
	}
	return e.Phase.String()
}

type settingsUndo struct {
	settingsFiles
	person
	Version int `arg:"" help:"The version to take back; later ones go with it."`
}

func (c *settingsUndo) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "undo", func(b *settings.Book, file *fleet.Fleet, now time.Time) error {
		v, err := b.Undo(ctx, file, c.Version, c.name(), c.Why, now)
		if err == nil {
			fmt.Fprintf(s.out, "version %d: as it was before version %d\n", v.Number, c.Version)
		}
		return err
	})
}

type settingsConfirm struct {
	settingsFiles
	person
	Version int `arg:"" help:"The version that waits."`
}

func (c *settingsConfirm) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "confirm", func(b *settings.Book, _ *fleet.Fleet, now time.Time) error {
		if _, err := b.Confirm(ctx, c.Version, c.name(), c.Why, now); err != nil {
			return err
		}
		fmt.Fprintf(s.out, "version %d is in effect everywhere\n", c.Version)
		return nil
	})
}

type settingsKeys struct{}

func (settingsKeys) run(_ context.Context, s *streams) int {
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for i := range fleet.Settings {
		k := &fleet.Settings[i]
		fmt.Fprintf(w, "%s\t%s\n", k.Key, strings.TrimSpace(k.Example+" "+k.Unit))
		fmt.Fprintf(w, "\t%s\n\t%s\n", k.Means, k.Advice)
	}
	if err := w.Flush(); err != nil {
		return statusFailed
	}
	return statusOK
}
