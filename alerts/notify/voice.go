package notify

import (
	"time"

	"coilward/alerts"
	"coilward/alerts/route"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// Voice speaks to one person in their language, on their clock and in their unit, on
// pages that links in messages open.
type Voice struct{ r reader }

// Voice returns how a person is spoken to.
func (t *Templates) Voice(p *Person) Voice { return Voice{reader{p: p, l: t.in(p.Language)}} }

// Has reports whether there are texts in a language.
func (t *Templates) Has(language string) bool { return t.languages[language] != nil }

// Say says a word of a page; pairs are names and what they stand for.
func (v Voice) Say(name string, pairs ...string) string {
	data := map[string]string{}
	for i := 0; i+1 < len(pairs); i += 2 {
		data[pairs[i]] = pairs[i+1]
	}
	return v.r.l.say("page."+name, data)
}

// Sentence is a whole sentence of the checks, the food rules or a refusal.
func (v Voice) Sentence(english string) string { return v.r.units(v.r.l.sentences.say(english)) }

// Fault is the name of a fault.
func (v Voice) Fault(f fault.Fault) string { return v.r.fault(f) }

// Product is the name of a class of product.
func (v Voice) Product(p fleet.Product) string { return v.r.l.say("product."+productKeys[p], nil) }

// Zone is the person's time zone.
func (v Voice) Zone() *time.Location { return v.r.p.local(time.Time{}).Location() }

// Weekday is the short name of a day of the week.
func (v Voice) Weekday(t time.Time) string { return v.r.weekday(t) }

// Month is the short name of a month.
func (v Voice) Month(t time.Time) string { return v.r.month(t) }

// Evidence is what the models saw.
func (v Voice) Evidence(ev []detect.Evidence, now time.Time) []string { return v.r.evidence(ev, now) }

// Cautions are what to mind at a machine that has one of the causes; m is nil where
// it is not listed.
func (v Voice) Cautions(m *fleet.Machine, causes []fault.Fault) []string {
	return v.r.cautions(m, causes)
}

// Minds are the cautions of a route or a stop.
func (v Voice) Minds(list []route.Mind) []string { return v.r.minds(list) }

// Title is the machine, or the machines that share the cause.
func (v Voice) Title(j *route.Job) string { return v.r.title(j) }

// Card is an alert as the texts about one see it.
type Card = card

// Card writes an alert for a person.
func (t *Team) Card(p *Person, a *alerts.Alert, now time.Time) Card {
	return t.card(kindAlert, p, a, now)
}
