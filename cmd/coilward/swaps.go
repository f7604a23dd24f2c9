package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// swapsSetting holds who takes a turn for somebody else, as made on the board; each
// version is kept, with who made it.
const swapsSetting = "on-call swaps"

// keptSwaps is how long after its end a swap stays in the newest version.
const keptSwaps = 14 * 24 * time.Hour

// swaps lays what was swapped on the board over the people file, which stays what it is.
type swaps struct {
	mu   sync.Mutex // guards what follows
	file *notify.Settings
	list []notify.Swap
	base int // version of the setting
}

// readSwaps reads back what was swapped, before the team is told of settings.
func (d *daemon) readSwaps(ctx context.Context, file *notify.Settings) error {
	d.swaps.mu.Lock()
	defer d.swaps.mu.Unlock()
	d.swaps.file = file
	s, err := d.ledger.Setting(ctx, swapsSetting)
	switch {
	case errors.Is(err, ledger.ErrNone):
		return nil
	case err != nil:
		return err
	}
	if err := json.Unmarshal(s.Body, &d.swaps.list); err != nil {
		return fmt.Errorf("who swapped with whom cannot be read: %w", err)
	}
	d.swaps.base = s.Version
	d.team.Set(file.With(d.swaps.list))
	return nil
}

// setPeople takes another people file, under the swaps.
func (d *daemon) setPeople(file *notify.Settings) {
	d.swaps.mu.Lock()
	defer d.swaps.mu.Unlock()
	d.swaps.file = file
	d.team.Set(file.With(d.swaps.list))
}

// keepSwaps saves a changed list and puts it into use; the lock is held.
func (d *daemon) keepSwaps(ctx context.Context, list []notify.Swap, now time.Time, who, why string) error {
	body, err := json.Marshal(list)
	if err != nil {
		return err
	}
	s, err := d.ledger.Save(ctx, ledger.Setting{Name: swapsSetting, At: now, Who: who, Why: why, Body: body}, d.swaps.base)
	if err != nil {
		return fmt.Errorf("it could not be kept, try again: %w", err)
	}
	d.swaps.base, d.swaps.list = s.Version, list
	d.team.Set(d.swaps.file.With(list))
	d.log.Info().Str("by", who).Str("change", why).Msg("who is on call was changed on the board")
	return nil
}

// Swaps are those that are not over.
func (b boardPeople) Swaps() []notify.Swap {
	now := b.d.clock.Now()
	b.d.swaps.mu.Lock()
	defer b.d.swaps.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(b.d.swaps.list), func(x notify.Swap) bool { return !x.To.After(now) })
}

// Swap puts somebody on call for a while.
func (b boardPeople) Swap(ctx context.Context, x notify.Swap) error {
	now := b.d.clock.Now()
	b.d.swaps.mu.Lock()
	defer b.d.swaps.mu.Unlock()
	if err := b.d.swaps.file.With(b.d.swaps.list).CheckSwap(&x, now); err != nil {
		return err
	}
	x.Made, x.ID = now, strconv.Itoa(b.d.swaps.base+1)
	before := b.d.swaps.file.With(b.d.swaps.list)
	list := slices.DeleteFunc(slices.Clone(b.d.swaps.list), func(x notify.Swap) bool { return now.Sub(x.To) > keptSwaps })
	if err := b.d.keepSwaps(ctx, append(list, x), now, x.By, fmt.Sprintf("%s: %s from %s to %s", x.Rota, x.Person, x.From.Format(time.RFC3339), x.To.Format(time.RFC3339))); err != nil {
		return err
	}
	return b.d.tellTurn(ctx, &x, before, "", now)
}

// TakeBack ends a swap: one that has begun, now, so that the past stays as it was.
func (b boardPeople) TakeBack(ctx context.Context, id, who string) error {
	now := b.d.clock.Now()
	b.d.swaps.mu.Lock()
	defer b.d.swaps.mu.Unlock()
	list := slices.Clone(b.d.swaps.list)
	i := slices.IndexFunc(list, func(x notify.Swap) bool { return x.ID == id && x.To.After(now) })
	if i < 0 {
		return nil // over, or taken back by somebody else
	}
	x := list[i]
	rest := slices.Delete(slices.Clone(list), i, i+1)
	if x.From.Before(now) {
		list[i].To = now
	} else {
		list = rest
	}
	if err := b.d.keepSwaps(ctx, list, now, who, fmt.Sprintf("%s: took back %s from %s to %s", x.Rota, x.Person, x.From.Format(time.RFC3339), x.To.Format(time.RFC3339))); err != nil {
		return err
	}
	if x.From.Before(now) {
		x.From = now
	}
	return b.d.tellTurn(ctx, &x, b.d.swaps.file.With(rest), who, now)
}

// tellTurn puts on its way what those must hear whom a swap puts on call or relieves.
func (d *daemon) tellTurn(ctx context.Context, x *notify.Swap, without *notify.Settings, back string, now time.Time) error {
	if err := d.ledger.Put(ctx, d.team.Turn(x, without, back, now)...); err != nil {
		return fmt.Errorf("who is on call was changed, but nobody could be told; tell them yourself: %w", err)
	}
	if d.notify != nil {
		d.notify.Wake()
	}
	return nil
}
