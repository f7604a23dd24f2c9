package notify

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"coilward/alerts"
)

// Contact is a way to reach a person.
type Contact struct {
	Channel string          `json:"channel"` // email, webhook, chat, mqtt
	To      string          `json:"to"`
	From    alerts.Priority `json:"from"` // this priority and above
}

// Key is a short name of the contact, without the address, which may be secret.
func (c Contact) Key() string { return c.Channel + "/" + digest(c.To) }

// Person is somebody who is told.
type Person struct {
	ID         string    `json:"id"`
	Name       string    `json:"name"`
	TimeZone   string    `json:"time_zone"`
	Fahrenheit bool      `json:"fahrenheit,omitempty"`
	Language   string    `json:"language,omitempty"` // of messages, a folder of texts; "": en
	Contacts   []Contact `json:"contacts"`
	QuietFrom  Clock     `json:"quiet_from"` // only high and critical between; equal: never quiet
	QuietTo    Clock     `json:"quiet_to"`
	SummaryAt  Clock     `json:"summary_at"`
}

// Settings are who is told, and when. They are kept as JSON in the ledger.
type Settings struct {
	People []Person `json:"people"`
	Rotas  []Rota   `json:"rotas"`
	// EscalateAfter a person has not acknowledged, the next is asked.
	EscalateAfter map[alerts.Priority]Minutes `json:"escalate_after"`
}

// Minutes is a duration in JSON.
type Minutes int

// DefaultEscalation: an answer that is to set out within 15 min cannot wait longer
// for somebody to wake up. Common practice, no source.
func DefaultEscalation() map[alerts.Priority]Minutes {
	return map[alerts.Priority]Minutes{alerts.Critical: 15, alerts.High: 30, alerts.Medium: 240}
}

// ParseSettings reads settings and reports every problem at once.
func ParseSettings(b []byte) (*Settings, error) {
	var s Settings
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, fmt.Errorf("people and rota: %w", err)
	}
	if s.EscalateAfter == nil {
		s.EscalateAfter = DefaultEscalation()
	}
	return &s, s.Validate()
}

// Validate reports every problem.
func (s *Settings) Validate() error {
	var bad []error
	say := func(format string, a ...any) { bad = append(bad, fmt.Errorf(format, a...)) }
	known := map[string]bool{}
	zone := func(who, z string) {
		if _, err := time.LoadLocation(z); err != nil || z == "" {
			say("%s: time zone %q is not known; write one like America/New_York", who, z)
		}
	}
	for _, p := range s.People {
		who := fmt.Sprintf("person %q", p.ID)
		if p.ID == "" || known[p.ID] {
			say("%s: every person needs an id of their own", who)
		}
		known[p.ID] = true
		zone(who, p.TimeZone)
		if len(p.Contacts) == 0 {
			say("%s: cannot be reached; add a contact", who)
		}
		for _, c := range p.Contacts {
			if !slices.Contains(Channels, c.Channel) || c.To == "" {
				say("%s: contact %s %q: the channel is one of %v, with an address", who, c.Channel, c.To, Channels)
			}
		}
	}
	for _, r := range s.Rotas {
		who := fmt.Sprintf("rota %q", r.Name)
		zone(who, r.TimeZone)
		if _, err := time.Parse(time.DateOnly, string(r.Start)); err != nil {
			say("%s: start %q: write the day of the first hand-over as 2026-07-06", who, r.Start)
		}
		if len(r.People) == 0 {
			say("%s: nobody takes turns in it", who)
		}
		names := slices.Concat(r.People, r.Backup)
		for _, o := range r.Overrides {
			names = append(names, o.Person)
			if !o.To.After(o.From) {
				say("%s: override of %s ends before it begins", who, o.Person)
			}
		}
		for day, p := range r.Holidays {
			names = append(names, p)
			if _, err := time.Parse(time.DateOnly, string(day)); err != nil {
				say("%s: holiday %q: write the day as 2026-12-25", who, day)
			}
		}
		slices.Sort(names)
		for _, p := range slices.Compact(names) {
			if !known[p] {
				say("%s: person %q is not among the people", who, p)
			}
		}
	}
	return errors.Join(bad...)
}

// Channels are the ways to reach people.
var Channels = []string{"email", "webhook", "chat", "mqtt"}

func (s *Settings) person(id string) *Person {
	for i := range s.People {
		if s.People[i].ID == id {
			return &s.People[i]
		}
	}
	return nil
}

// Rota returns the rota of a site: the one that names it, or else one that names
// none.
func (s *Settings) Rota(site string) *Rota {
	var rest *Rota
	for i := range s.Rotas {
		r := &s.Rotas[i]
		if slices.Contains(r.Sites, site) {
			return r
		}
		if len(r.Sites) == 0 && rest == nil {
			rest = r
		}
	}
	return rest
}

func (p *Person) local(t time.Time) time.Time {
	loc, err := time.LoadLocation(p.TimeZone)
	if err != nil {
		loc = time.UTC // Validate refuses it
	}
	return t.In(loc)
}

// quiet reports whether it is the person's quiet time, and when it ends.
func (p *Person) quiet(at time.Time) (bool, time.Time) {
	t := p.local(at)
	c, from, to := clockOf(t), p.QuietFrom, p.QuietTo
	tomorrow := time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, t.Location())
	switch {
	case from < to && c >= from && c < to, from > to && c < to:
		return true, to.on(t)
	case from > to && c >= from:
		return true, to.on(tomorrow)
	}
	return false, at
}
