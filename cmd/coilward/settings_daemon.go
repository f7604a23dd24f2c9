package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"

	"coilward/alerts/board"
	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/sensitivity"
)

// inUse is the fleet file, and the settings that are laid over it. What comes of
// both is the daemon's fleet.
type inUse struct {
	d    *daemon
	book *settings.Book

	mu     sync.Mutex // one change at a time; guards what follows
	file   *fleet.Fleet
	text   []byte // of the file
	effect settings.Effect
	wrong  error // why the settings are not laid over the file; nil: they are
}

// settle lays the settings that are in effect over the fleet file as the daemon
// starts. Settings that contradict the file do not keep it from starting: a fleet
// that is watched under the file alone is better than one that is not watched.
func (d *daemon) settle(ctx context.Context, file *fleet.Fleet) (*fleet.Fleet, error) {
	u := &inUse{d: d, book: settings.NewBook(d.ledger), file: file}
	u.text, _ = os.ReadFile(d.config.FleetFile) // only trials need it; they say so
	var err error
	if u.effect, err = u.book.Effect(ctx, d.clock.Now()); err != nil {
		return nil, err
	}
	f, err := u.effect.At(file)
	if err != nil {
		u.wrong = err
		for _, e := range apart(err) {
			d.log.Error().Err(e).Msg("the settings do not fit the fleet file, which applies alone")
		}
		f = file
	}
	d.inUse = u
	d.fleet.Store(f)
	return f, nil
}

// read takes a fleet file that was read again.
func (u *inUse) read(ctx context.Context, file *fleet.Fleet, text []byte) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.take(ctx, file, text, u.effect)
}

// due lays other settings over the file if others are in effect by now.
func (u *inUse) due(ctx context.Context) error {
	u.mu.Lock()
	defer u.mu.Unlock()
	e, err := u.book.Effect(ctx, u.d.clock.Now())
	if err != nil {
		return err
	}
	if e.Same(&u.effect) {
		u.effect = e // what waits may be another
		return nil
	}
	if err := u.take(ctx, u.file, u.text, e); err != nil {
		return err
	}
	u.d.log.Info().Int("version", e.Number).Msg("settings came into effect")
	return nil
}

// take puts a file and settings into use, everywhere, or leaves all as it is.
func (u *inUse) take(ctx context.Context, file *fleet.Fleet, text []byte, e settings.Effect) error {
	f, err := e.At(file)
	if err != nil {
		u.wrong = err
		return err
	}
	u.wrong, u.file, u.text, u.effect = nil, file, text, e
	return u.d.useFleet(ctx, f)
}

// useFleet gives a fleet to every stage.
func (d *daemon) useFleet(ctx context.Context, f *fleet.Fleet) error {
	d.fleet.Store(f)
	d.desk.SetFleet(f)
	d.untouched.setFleet(f)
	d.feeding.Lock()
	d.pipe.models.SetFleet(f)
	err := d.pipe.models.Flush(ctx)
	d.feeding.Unlock()
	if err == nil {
		d.bell.Ring()
	}
	return err
}

// state returns what is in use.
func (u *inUse) state() (file *fleet.Fleet, text []byte, e settings.Effect, wrong error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.file, u.text, u.effect, u.wrong
}

// settingsDue is a chore: settings that come into effect, by the clock or because
// somebody saved them, are put into use.
func (d *daemon) settingsDue(ctx context.Context) {
	before := d.inUse.problem()
	err := d.inUse.due(ctx)
	if err == nil || ctx.Err() != nil || before != nil && before.Error() == err.Error() {
		return
	}
	for _, e := range apart(err) {
		d.log.Error().Err(e).Msg("settings that are due were not taken; those before stay in use")
	}
}

func (u *inUse) problem() error {
	_, _, _, wrong := u.state()
	return wrong
}

// boardSettings shows the settings to the board.
type boardSettings struct{ *inUse }

// InUse returns the fleet file without what is laid over it, and what is.
func (s boardSettings) InUse() (*fleet.Fleet, settings.Effect) {
	file, _, e, _ := s.state()
	return file, e
}

// Entries returns the versions, newest first.
func (s boardSettings) Entries(ctx context.Context) ([]settings.Entry, error) {
	return s.book.Entries(ctx, s.d.clock.Now())
}

// Save makes a version and puts it into use if it is due.
func (s boardSettings) Save(ctx context.Context, c settings.Change) (settings.Version, error) {
	file, _, _, _ := s.state()
	v, err := s.book.Save(ctx, file, c, s.d.clock.Now())
	return v, s.used(ctx, err)
}

// Undo takes a version back.
func (s boardSettings) Undo(ctx context.Context, number int, who, why string) (settings.Version, error) {
	file, _, _, _ := s.state()
	v, err := s.book.Undo(ctx, file, number, who, why, s.d.clock.Now())
	return v, s.used(ctx, err)
}

// Confirm lets what is pending come into effect everywhere.
func (s boardSettings) Confirm(ctx context.Context, number int, who, why string) (settings.Version, error) {
	v, err := s.book.Confirm(ctx, number, who, why, s.d.clock.Now())
	return v, s.used(ctx, err)
}

func (s boardSettings) used(ctx context.Context, err error) error {
	if err != nil {
		return err
	}
	if err := s.due(ctx); err != nil {
		return fmt.Errorf("it is kept, but not in use yet: %w", err)
	}
	s.d.bell.Ring()
	return nil
}

// Trade is what a rate of false alarms costs, and the threshold without one.
func (boardSettings) Trade() (*sensitivity.Trade, float64) {
	l := detect.NewLibrary()
	return l.Trade(), l.RaiseAt
}

// settingsHealth tells what of the settings does not work.
func (u *inUse) settingsHealth() []board.Degraded {
	if wrong := u.problem(); wrong != nil {
		return []board.Degraded{{Part: "settings", Text: "The settings that are due do not fit the fleet file and are not in use: " + errors.Join(apart(wrong)[:1]...).Error()}}
	}
	return nil
}

// staleTrade says that the price of few false alarms was measured with another
// table of causes; "" where it was not.
func staleTrade() string {
	l := detect.NewLibrary()
	if l.Trade().Table == l.Fingerprint() {
		return ""
	}
	return fmt.Sprintf("wanted false alarms are turned into thresholds by what was measured with another table of causes (%s, now %s): measure it again with coilward sensitivity",
		l.Trade().Table, l.Fingerprint())
}
