package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/board"
	"coilward/alerts/notify"
	"coilward/alerts/route"
)

// toldRoute is the route a tech was last told.
type toldRoute struct {
	Shift time.Time  `json:"shift"`
	At    time.Time  `json:"at"`
	Count int        `json:"count"` // messages this shift
	Stops []toldStop `json:"stops"`
}

type toldStop struct {
	ID     string    `json:"id"`
	Latest time.Time `json:"latest,omitzero"`
}

const (
	tellBefore = time.Hour        // before the shift begins, so that the van can be loaded
	tellApart  = 10 * time.Minute // between two messages, unless the next stop is another
	tellMoved  = 30 * time.Minute // a latest arrival that moved by less is the same
)

// tell writes a message to every tech whose route is not what they were told.
// mu is held.
func (d *dispatcher) tell(ctx context.Context, day *route.Day, open []alerts.Alert) error {
	for i := range day.Plan.Routes {
		r := &day.Plan.Routes[i]
		m, ok := day.Member(r.Tech.ID)
		if !ok {
			continue
		}
		duty, on := m.Duty(day.At)
		if !on || day.At.Before(duty.Open.Add(-tellBefore)) {
			continue
		}
		was := d.state.Told[m.ID]
		if !was.Shift.Equal(duty.Open) {
			was = toldRoute{Shift: duty.Open}
		}
		now := toldRoute{Shift: duty.Open, At: day.At, Count: was.Count + 1}
		for _, v := range r.Visits {
			now.Stops = append(now.Stops, toldStop{v.Stop.ID, v.LatestUseful})
		}
		if !was.differs(now, day.Told[m.ID]) {
			continue
		}
		if err := d.send(ctx, day, r, m, now, open); err != nil {
			return err
		}
	}
	return nil
}

// differs reports whether the route is worth a message: other stops, another
// order, or a latest arrival that moved. What the tech has reported is no news.
func (was toldRoute) differs(now toldRoute, s route.Standing) bool {
	var left []toldStop
	for _, t := range was.Stops {
		gone := s.Shift.Equal(was.Shift) && (s.Arrived && s.Stop == t.ID || slices.ContainsFunc(s.Done, func(f route.Finished) bool { return f.Stop == t.ID }))
		if !gone || slices.ContainsFunc(now.Stops, func(n toldStop) bool { return n.ID == t.ID }) {
			left = append(left, t)
		}
	}
	same := slices.EqualFunc(left, now.Stops, func(a, b toldStop) bool {
		return a.ID == b.ID && a.Latest.IsZero() == b.Latest.IsZero() && a.Latest.Sub(b.Latest).Abs() < tellMoved
	})
	if same {
		return false
	}
	next := len(left) != 0 && len(now.Stops) != 0 && left[0].ID == now.Stops[0].ID
	return !next || now.At.Sub(was.At) >= tellApart
}

// linkOf makes the links to a tech's stops; nil where there are none.
func (d *dispatcher) linkOf(m *route.Member, now time.Time) func(stop string) string {
	until, on := m.LinkUntil(now)
	if d.o.BaseURL == "" || d.o.Links == nil || !on {
		return nil
	}
	return func(stop string) string {
		return strings.TrimSuffix(d.o.BaseURL, "/") + board.StopPath(d.o.Links, m.ID, stop, until)
	}
}

// send puts the message into the outbox, then remembers that it did. Between
// the two the same route makes the same key, so it is one message after all.
func (d *dispatcher) send(ctx context.Context, day *route.Day, r *route.Route, m *route.Member, now toldRoute, open []alerts.Alert) error {
	about, err := json.Marshal(now.Stops)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(about)
	it := notify.Itinerary{Key: fmt.Sprintf("route/%d/%d/%s", now.Shift.Unix(), now.Count, hex.EncodeToString(sum[:6])), Priority: alerts.Medium,
		Route: r, AsOf: day.At, Link: d.linkOf(m, day.At)}
	for i := range open {
		for _, v := range r.Visits {
			if slices.ContainsFunc(v.Stop.Jobs, func(j route.Job) bool { return j.Alert == open[i].ID }) {
				it.Priority = max(it.Priority, open[i].Priority)
			}
		}
	}
	if d.o.BaseURL != "" {
		it.Board = strings.TrimSuffix(d.o.BaseURL, "/") + "/route/" + url.PathEscape(m.ID)
	}
	if err := d.o.Store.Put(ctx, d.o.Team.Route(d.o.Team.Tech(m), it)...); err != nil {
		return fmt.Errorf("the message about a route cannot be kept: %w", err)
	}
	was, had := d.state.Told[m.ID]
	d.state.Told[m.ID] = now
	if err := d.save(ctx, "coilward", "told "+m.Name+" a route"); err != nil {
		if d.state.Told[m.ID] = was; !had {
			delete(d.state.Told, m.ID)
		}
		return err
	}
	return nil
}
