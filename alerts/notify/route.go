package notify

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/route"
	"coilward/detect/fault"
)

// itinerary is what the texts about a route see. Every string is for the reader; the
// times at a stop are those of the stop.
type itinerary struct {
	Name, AsOf             string
	Count                  int
	First, Length, Driving string
	Load, Check, Tools     []string
	Stops                  []itineraryStop
	Cautions               []string
	Board                  string
}

type itineraryStop struct {
	Number              int
	Name, Arrive, Opens string
	Late, By            string // the latest useful arrival: passed by then, or not
	CanWait             bool
	Jobs                []string
	Map, Link           string
}

// question is what the texts that ask a tech where they are see.
type question struct{ Name, Stop, Arrive, Until, Link string }

// Itinerary is a route to be told to somebody.
type Itinerary struct {
	Key      string // the same key is the same message, for ever
	Priority alerts.Priority
	Route    *route.Route
	AsOf     time.Time
	Link     func(stop string) string // the page of a stop; nil or "": none
	Board    string                   // their own page; "": none
}

// Question asks a tech where they are.
type Question struct {
	Key  string
	Leg  *route.Leg
	Link string // "": none
}

// Route makes the messages that tell a person their route, one a contact that takes
// the priority.
func (t *Team) Route(p *Person, i Itinerary) []ledger.Message {
	data := t.itinerary(p, i.Route, i.AsOf, i.Link)
	data.Board = i.Board
	stops := []string{} // for machines
	for _, v := range i.Route.Visits {
		stops = append(stops, v.Stop.ID)
	}
	return t.toTech(p, kindRoute, i.Key, i.Priority, data, stops, i.AsOf)
}

// Ask makes the messages that ask a tech who should have arrived where they are.
func (t *Team) Ask(p *Person, q Question, now time.Time) []ledger.Message {
	at := func(x time.Time) string { return p.local(x).Format("15:04") }
	data := question{Name: p.Name, Stop: q.Leg.Name, Arrive: at(q.Leg.Arrive), Until: p.local(q.Leg.Arrive.Add(route.CountedOnFor)).Format("15:04 MST"), Link: q.Link}
	return t.toTech(p, kindAsk, q.Key, alerts.High, data, []string{q.Leg.Stop}, now)
}

// RouteText is a route as the message has it, without the page that it is on.
func (t *Team) RouteText(p *Person, r *route.Route, asOf time.Time, link func(stop string) string) string {
	_, text := t.fill(p, kindRoute, "email", t.itinerary(p, r, asOf, link))
	return text
}

// toTech makes one message a contact. Where p has no contacts, those of the person
// with the same ID among the settings count.
func (t *Team) toTech(p *Person, kind, key string, priority alerts.Priority, data any, stops []string, now time.Time) []ledger.Message {
	contacts := p.Contacts
	if known := t.Settings().person(p.ID); len(contacts) == 0 && known != nil {
		contacts = known.Contacts
	}
	body, err := json.Marshal(struct {
		Kind   string   `json:"kind"`
		Person string   `json:"person"`
		Stops  []string `json:"stops"`
	}{kindRoute, p.ID, stops})
	if err != nil {
		panic("notify: a route cannot be written as JSON: " + err.Error())
	}
	var out []ledger.Message
	for _, c := range contacts {
		if priority < c.From {
			continue
		}
		subject, text := t.fill(p, kind, c.Channel, data)
		out = append(out, ledger.Message{Key: key + "/" + p.ID + "/" + c.Key(), Person: p.ID, Channel: c.Channel, To: c.To,
			Priority: priority, Subject: subject, Text: text, Again: t.again(p), Body: body, Made: now, Due: now})
	}
	return out
}

// Tech is a tech as somebody to be told. Without a language of their own they are
// written to in that of the person with the same ID.
func (t *Team) Tech(m *route.Member) *Person {
	p := &Person{ID: m.ID, Name: m.Name, TimeZone: m.TimeZone, Fahrenheit: m.Fahrenheit, Language: m.Language}
	if known := t.Settings().person(m.ID); known != nil && p.Language == "" {
		p.Language = known.Language
	}
	for _, c := range m.Contacts {
		p.Contacts = append(p.Contacts, Contact{Channel: c.Channel, To: c.To})
	}
	return p
}

func (t *Team) itinerary(p *Person, r *route.Route, asOf time.Time, link func(stop string) string) itinerary {
	w := t.reader(p)
	out := itinerary{Name: p.Name, AsOf: w.dayAndTime(p.local(asOf), true), Count: len(r.Visits), Length: route.Length(r.Metres, p.Fahrenheit), Driving: w.span(r.Drive),
		Load: w.items(r.Load.Parts), Check: w.items(r.Load.Check)}
	for _, tool := range r.Load.Tools {
		out.Tools = append(out.Tools, w.l.sentences.say(tool))
	}
	for i := range r.Visits {
		v := &r.Visits[i]
		zone := cmp.Or(v.Stop.Location, time.UTC)
		s := itineraryStop{Number: i + 1, Name: cmp.Or(v.Stop.Name, v.Stop.ID), Arrive: w.dayAndTime(v.Arrive.In(zone), true),
			CanWait: v.OnTheWay && v.LatestUseful.IsZero(), Map: v.Stop.Place.Geo()}
		if i == 0 {
			out.First = s.Name
		}
		if v.Begin.Sub(v.Arrive) >= time.Minute {
			s.Opens = v.Begin.In(zone).Format("15:04")
		}
		switch {
		case v.Late():
			s.Late = w.dayAndTime(v.LatestUseful.In(zone), false)
		case !v.LatestUseful.IsZero():
			s.By = w.dayAndTime(v.LatestUseful.In(zone), false)
		}
		for _, j := range v.Stop.Jobs {
			line := w.title(&j) + ": " + w.fault(j.Fault)
			if j.Probability > 0 {
				line += fmt.Sprintf(" (%.0f %%)", 100*j.Probability)
			}
			s.Jobs = append(s.Jobs, line)
		}
		if link != nil {
			s.Link = link(v.Stop.ID)
		}
		out.Stops = append(out.Stops, s)
	}
	out.Cautions = w.minds(r.Minds())
	return out
}

// dayAndTime is a time on the clock it is in.
func (r reader) dayAndTime(t time.Time, zone bool) string {
	layout := "15:04"
	if zone {
		layout += " MST"
	}
	return r.weekday(t) + " " + t.Format(layout)
}

// items are parts and how many.
func (r reader) items(list []route.Item) []string {
	var out []string
	for _, it := range list {
		name := r.l.sentences.say(it.Name)
		if it.Count > 1 {
			name = fmt.Sprintf("%d × %s", it.Count, name)
		}
		out = append(out, name)
	}
	return out
}

// title is the machine, or the machines that share the cause.
func (r reader) title(j *route.Job) string {
	if j.More == 0 {
		return j.Machine
	}
	return j.Machine + " " + r.l.say("more", j.More)
}

// minds are cautions in words, each once.
func (r reader) minds(list []route.Mind) []string {
	var out []string
	for _, m := range list {
		if text := r.caution(m.Caution, m.Refrigerant); !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	return out
}

func (r reader) caution(c fault.Caution, refrigerant string) string {
	return r.units(strings.TrimSpace(r.l.say("caution."+c.Name(), refrigerant)))
}
