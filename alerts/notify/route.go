package notify

import (
	"encoding/json"
	"slices"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// Itinerary is a route to be told to somebody.
type Itinerary struct {
	Key      string // the same key is the same message, for ever
	Priority alerts.Priority
	Subject  string
	Text     string
	Stops    []string // IDs, in order, for machines
}

// Route makes the message that tells a person their route, one a contact that
// takes the priority. Where p has no contacts, those of the person with the
// same ID among the settings count.
func (t *Team) Route(p *Person, i Itinerary, now time.Time) []ledger.Message {
	contacts := p.Contacts
	if known := t.Settings().person(p.ID); len(contacts) == 0 && known != nil {
		contacts = known.Contacts
	}
	body, err := json.Marshal(struct {
		Kind   string   `json:"kind"`
		Person string   `json:"person"`
		Stops  []string `json:"stops"`
	}{"route", p.ID, slices.Concat([]string{}, i.Stops)})
	if err != nil {
		panic("notify: a route cannot be written as JSON: " + err.Error())
	}
	var out []ledger.Message
	for _, c := range contacts {
		if i.Priority < c.From {
			continue
		}
		out = append(out, ledger.Message{Key: i.Key + "/" + p.ID + "/" + c.Channel + "/" + digest(c.To), Person: p.ID, Channel: c.Channel, To: c.To,
			Priority: i.Priority, Subject: i.Subject, Text: i.Text, Body: body, Made: now, Due: now})
	}
	return out
}
