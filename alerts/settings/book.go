package settings

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/alerts/ledger"
	"coilward/collector/fleet"
)

// name is what the log is called in the ledger.
const name = "settings"

// Store keeps the log; *ledger.Ledger is one.
type Store interface {
	Save(ctx context.Context, s ledger.Setting, base int) (ledger.Setting, error)
	Versions(ctx context.Context, name string) ([]ledger.Setting, error)
}

// Book is the log. It keeps nothing in memory: other processes may write to the
// same ledger.
type Book struct{ store Store }

// NewBook returns the book of a store.
func NewBook(s Store) *Book { return &Book{s} }

// Versions returns the log, oldest first.
func (b *Book) Versions(ctx context.Context) ([]Version, error) {
	all, err := b.store.Versions(ctx, name)
	if err != nil {
		return nil, err
	}
	slices.Reverse(all)
	out := make([]Version, len(all))
	for i, s := range all {
		if out[i], err = versionOf(s); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Effect returns what is in effect at a time.
func (b *Book) Effect(ctx context.Context, at time.Time) (Effect, error) {
	log, err := b.Versions(ctx)
	if err != nil {
		return Effect{}, err
	}
	return effect(log, at), nil
}

// ErrPending is returned to those who change settings while a change waits for its
// time or is tried at a site.
var ErrPending = errors.New("another change is not in effect everywhere yet: wait for it, or take it back first")

// Change is what somebody wants changed.
type Change struct {
	Who, Why string
	Base     int              // the version in effect that it was made on
	State    *fleet.Overrides // everything that is to be set
	ApplyAt  time.Time        // zero: at once
	Pilot    string           // a site that has it first; "": all at once
	Trial    time.Duration    // for how long; 0: PilotTime
	Ask      bool             // and then only on a word
}

// Save makes a version of a change, unless what it leads to contradicts itself on
// the fleet file, nothing would change, or another change is pending.
func (b *Book) Save(ctx context.Context, f *fleet.Fleet, c Change, now time.Time) (Version, error) {
	log, e, err := b.read(ctx, c.Who, c.Why, now)
	if err != nil {
		return Version{}, err
	}
	switch {
	case e.Pending != nil:
		return Version{}, fmt.Errorf("version %d by %s, %s: %w", e.Pending.Number, e.Pending.Who, e.Phase, ErrPending)
	case e.Number != c.Base:
		return Version{}, fmt.Errorf("version %d came into effect meanwhile; look at it and change it again", e.Number)
	case c.State.Equal(e.All):
		return Version{}, errors.New("nothing is changed: these settings are in effect already")
	case !c.ApplyAt.IsZero() && c.ApplyAt.Before(now):
		return Version{}, fmt.Errorf("the time to apply it, %s, has passed", c.ApplyAt.Format(time.DateTime))
	}
	if c.Pilot != "" {
		if _, ok := f.Site(c.Pilot); !ok {
			return Version{}, fmt.Errorf("there is no site %q to try it first", c.Pilot)
		}
		if c.Trial == 0 {
			c.Trial = PilotTime
		}
	}
	if err := New(f, e.All, c.State); err != nil {
		return Version{}, err
	}
	v := Version{At: now, Who: c.Who, Why: c.Why, State: c.State, ApplyAt: c.ApplyAt, Pilot: c.Pilot, Ask: c.Ask}
	if v.Pilot != "" {
		v.Trial = c.Trial
	}
	return b.append(ctx, v, log)
}

// New reports what is wrong with settings that are to follow others: what they
// contradict, and what they newly set at a place that is not in the fleet file.
func New(f *fleet.Fleet, was, state *fleet.Overrides) error {
	var errs []error
	if _, err := f.With(state, nil); err != nil {
		errs = append(errs, err)
	}
	before := f.Strangers(was)
	for _, s := range f.Strangers(state) {
		if !slices.Contains(before, s) {
			errs = append(errs, fmt.Errorf("%s is not in the fleet file; add it there first", s))
		}
	}
	return errors.Join(errs...)
}

// Undo takes a version back: what was in effect before it comes back exactly as it
// was, at once and everywhere. Later versions go with it.
func (b *Book) Undo(ctx context.Context, f *fleet.Fleet, number int, who, why string, now time.Time) (Version, error) {
	log, e, err := b.read(ctx, who, why, now)
	if err != nil {
		return Version{}, err
	}
	i := slices.IndexFunc(log, func(v Version) bool { return v.Number == number && v.Confirms == 0 })
	if i < 0 {
		return Version{}, fmt.Errorf("there is no version %d to take back", number)
	}
	// What the log said before: without what was pending then, which never came to
	// be in effect if it was not by now.
	before := effect(log[:i], log[i].At)
	if before.All.Equal(e.All) && e.Pending == nil {
		return Version{}, fmt.Errorf("what was before version %d is in effect already", number)
	}
	if err := New(f, before.All, before.All); err != nil {
		return Version{}, fmt.Errorf("what was before version %d does not fit the fleet file any more: %w", number, err)
	}
	return b.append(ctx, Version{At: now, Who: who, Why: why, State: before.All, Undoes: number}, log)
}

// Confirm lets what is tried at a site, or waits for its time, come into effect
// everywhere now.
func (b *Book) Confirm(ctx context.Context, number int, who, why string, now time.Time) (Version, error) {
	log, e, err := b.read(ctx, who, why, now)
	if err != nil {
		return Version{}, err
	}
	if e.Pending == nil || e.Pending.Number != number {
		return Version{}, fmt.Errorf("version %d does not wait for a word", number)
	}
	return b.append(ctx, Version{At: now, Who: who, Why: why, Confirms: number}, log)
}

// read returns the log and what is in effect, for somebody who may change it.
func (b *Book) read(ctx context.Context, who, why string, now time.Time) ([]Version, Effect, error) {
	if strings.TrimSpace(who) == "" || strings.TrimSpace(why) == "" {
		return nil, Effect{}, errors.New("who changes the settings and why must be said: the next one will ask")
	}
	log, err := b.Versions(ctx)
	if err != nil {
		return nil, Effect{}, err
	}
	return log, effect(log, now), nil
}

func (b *Book) append(ctx context.Context, v Version, log []Version) (Version, error) {
	s, err := v.setting()
	if err != nil {
		return Version{}, err
	}
	base := 0
	if len(log) > 0 {
		base = log[len(log)-1].Number
	}
	if s, err = b.store.Save(ctx, s, base); err != nil {
		return Version{}, err
	}
	return versionOf(s)
}

// Entry is a version as a page lists it.
type Entry struct {
	Version
	Phase     Phase
	Changes   []fleet.Difference // against what was in effect before it
	TakenBack int                // the version that took it back, alone or with others; 0: none did
	CanUndo   bool               // taking it back would change something
}

// takenBack returns the version that took the i-th of the log back; 0 if none did.
func takenBack(log []Version, i int) int {
	for _, later := range log[i+1:] {
		if later.Undoes != 0 && later.Undoes <= log[i].Number {
			return later.Number
		}
	}
	return 0
}

// Entries returns the log with what each changed and how far it has come, newest
// first.
func (b *Book) Entries(ctx context.Context, at time.Time) ([]Entry, error) {
	log, err := b.Versions(ctx)
	if err != nil {
		return nil, err
	}
	e := effect(log, at)
	out := make([]Entry, len(log))
	for i, v := range log {
		x := Entry{Version: v, TakenBack: takenBack(log, i)}
		switch {
		case v.Confirms != 0:
			x.Phase = Word
		case v.Number == e.Number:
			x.Phase = InEffect
		case e.Pending != nil && v.Number == e.Pending.Number:
			x.Phase = e.Phase
		}
		if v.Confirms == 0 {
			before := effect(log[:i], v.At)
			x.Changes = fleet.Diff(before.All, v.State)
			x.CanUndo = e.Pending != nil || !before.All.Equal(e.All)
		}
		out[len(log)-1-i] = x
	}
	return out, nil
}
