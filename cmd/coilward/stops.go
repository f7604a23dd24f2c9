package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"coilward/alerts/board"
	"coilward/alerts/notify"
	"coilward/alerts/visit"
	"coilward/collector"
)

// linksFile holds the key that signs links. Without it the links that were sent
// stop working; nothing else is lost. It is part of a backup: whoever is restored at
// six in the morning has techs on the road with links in their phones, and the
// messages in the ledger beside it hold good links anyway.
const linksFile = "links.key"

const keyBytes = 32

// openLinks reads the key that signs links, or makes one.
func openLinks(dir string) (*notify.Links, error) {
	path := filepath.Join(dir, linksFile)
	key, err := os.ReadFile(path)
	if err == nil && len(key) != keyBytes {
		return nil, fmt.Errorf("%s must hold %d bytes and holds %d; delete it, and links that were sent stop working", path, keyBytes, len(key))
	}
	if err == nil {
		return &notify.Links{Key: key}, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("the key that signs links cannot be read: %w", err)
	}
	key = make([]byte, keyBytes)
	_, _ = rand.Read(key) // never fails
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("the key that signs links cannot be kept: %w", err)
	}
	_, err = f.Write(key)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, errors.Join(fmt.Errorf("the key that signs links cannot be kept: %w", err), os.Remove(path))
	}
	return &notify.Links{Key: key}, nil
}

// routeScreens gives the board the routes, and what techs do at their stops.
func (d *daemon) routeScreens(o *board.Options) {
	o.Routes, o.Arrival = d.dispatch, d.dispatch.Arrival
	o.Links, o.Visits, o.People = d.links, d.ledger, boardPeople{d}
	o.Texts = d.texts
	o.Visited = d.visited
}

// visited does what follows from a closed visit: a machine that was repaired is watched,
// and one whose product is known to be good or gone starts with a new food clock.
func (d *daemon) visited(ctx context.Context, v *visit.Visit) error {
	d.dispatch.Wake() // who is needed there now
	var err, watch error
	if o := v.Outcome; o.Kind == visit.Repaired && d.desk != nil {
		if o.Product != visit.Hold {
			_, err = d.desk.Serviced(ctx, v.Machine, collector.MillisOf(o.At))
		}
		_, watch = d.desk.Repaired(ctx, v.Alert, v.By, collector.MillisOf(o.At))
	}
	return errors.Join(err, watch, d.dispatch.closed(ctx, v), d.dispatch.used(ctx, v.Tech, v.Outcome.Parts, "used at "+v.Machine))
}
