package board

import (
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/fleet"
)

// phones are the pages that links open, in each language.
func phones(texts *notify.Templates) map[string]*template.Template {
	out := map[string]*template.Template{}
	for _, language := range texts.Languages() {
		out[language] = parsed(texts.Voice(&notify.Person{Language: language}).Say)
	}
	return out
}

// texter is who writes on the pages that links open: the board knows the sites, the
// machines and how things stand.
func (b *Board) texter() *notify.Team {
	return notify.NewTeam(notify.TeamOptions{
		Texts: b.texts, Live: b.liveOfAlert,
		Place: func(site string) notify.Place {
			if s, ok := b.fleet().Site(site); ok {
				return notify.Place{Name: s.Name}
			}
			return notify.Place{Name: site}
		},
		Machine: func(id string) *fleet.Machine {
			m, _ := b.fleet().Machine(id)
			return m
		},
	})
}

// person finds somebody who is told; one who is not known has no language.
func (b *Board) person(id string) *notify.Person {
	if b.team != nil {
		for _, p := range b.team.People() {
			if p.ID == id {
				return &p
			}
		}
	}
	return &notify.Person{ID: id, Name: id, TimeZone: b.homeZone().String()}
}

// speak gives the caller the language of the person who was sent the link, in the
// units of their phone if it has been told some. Whose link it is may not be known:
// then the phone's own language counts.
func (b *Board) speak(c *caller, p *notify.Person, r *http.Request) {
	if p == nil {
		first, _, _ := strings.Cut(r.Header.Get("Accept-Language"), ",")
		first, _, _ = strings.Cut(strings.TrimSpace(first), "-")
		p = &notify.Person{Language: strings.ToLower(first), TimeZone: b.homeZone().String()}
		c.reader = readerOf(r)
	} else {
		c.reader = Reader{Name: p.Name, Fahrenheit: p.Fahrenheit, TwelveHour: p.Fahrenheit && (p.Language == "" || p.Language == "en")}
		if _, err := r.Cookie(readerCookie); err == nil {
			c.reader = readerOf(r)
		}
	}
	own := *p
	own.Fahrenheit = c.reader.Fahrenheit
	if !b.texts.Has(own.Language) {
		own.Language = "en"
	}
	c.person, c.voice = &own, b.texts.Voice(&own)
}

// tech is a tech as somebody to be told, in the language of the person of that ID
// where they have none of their own.
func (b *Board) tech(m *route.Member) *notify.Person {
	p := &notify.Person{ID: m.ID, Name: m.Name, TimeZone: m.Location().String(), Fahrenheit: m.Fahrenheit, Language: m.Language}
	if p.Language == "" {
		p.Language = b.person(m.ID).Language
	}
	return p
}

// english is whoever reads the board.
func (b *Board) english(r Reader, now time.Time) *caller {
	p := &notify.Person{Language: "en", TimeZone: b.homeZone().String(), Fahrenheit: r.Fahrenheit}
	return &caller{reader: r, now: now, person: p, voice: b.texts.Voice(p)}
}

func (c *caller) say(name string, pairs ...string) string { return c.voice.Say(name, pairs...) }

// moment writes a time as [Reader.moment] does, in the caller's language.
func (c *caller) moment(t time.Time, zone *time.Location) string { return c.momentFrom(t, c.now, zone) }

func (c *caller) momentFrom(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	switch {
	case sameDay(t.Date, now.Date):
		return c.reader.hour(t)
	case t.Sub(now).Abs() < 6*24*time.Hour:
		return c.voice.Weekday(t) + nb + c.reader.hour(t)
	}
	return c.voice.Weekday(t) + nb + strconv.Itoa(t.Day()) + nb + c.voice.Month(t) + " " + c.reader.hour(t)
}

// span writes a duration as [span] does, in the caller's language.
func (c *caller) span(d time.Duration) string {
	d = d.Abs()
	days, h := int(d.Hours())/24, int(d.Hours())%24
	switch {
	case d < time.Minute:
		return c.say("moment-ago")
	case days == 0:
		return span(d)
	}
	out := c.say("day")
	if days > 1 {
		out = c.say("days", "N", strconv.Itoa(days))
	}
	if h > 0 {
		out += " " + strconv.Itoa(h) + nb + "h"
	}
	return out
}

// probability writes one as [probability] does, in the caller's language.
func (c *caller) probability(p float64) string {
	switch {
	case p > 0.99:
		return c.say("over-99")
	case p < 0.01:
		return c.say("under-1")
	}
	return percent(p)
}

// sentence is what something was refused with, or a rule says, for the caller.
func (c *caller) sentence(text string) string { return sentence(c.voice.Sentence(text)) }

// what a machine is, and what is in it.
func (c *caller) what(m *fleet.Machine) string {
	return c.say("what", "Kind", c.say("kind."+m.Kind.String()), "Product", c.voice.Product(m.Product))
}

func (c *caller) decision(d visit.Decision) string {
	if d == "" {
		return ""
	}
	return c.say(string(d))
}

// check puts a check into the caller's language.
func (c *caller) check(k *visit.Check) *visit.Check {
	out := *k
	out.Title = c.voice.Sentence(k.Title)
	out.Do = nil
	for _, line := range k.Do {
		out.Do = append(out.Do, c.voice.Sentence(line))
	}
	out.Answers = nil
	for _, a := range k.Answers {
		a.Text, a.Then = c.voice.Sentence(a.Text), c.voice.Sentence(a.Then)
		out.Answers = append(out.Answers, a)
	}
	return &out
}

// taken says where an alert stands that cannot be taken.
func (c *caller) taken(a *alerts.Alert) string {
	switch a.State {
	case alerts.Normal:
		return c.say("over")
	case alerts.Acknowledged:
		if a.Watched() {
			at := func(t collector.Millis) string { return c.moment(t.Time(), c.voice.Zone()) }
			return c.say("repaired-by", "Name", a.RepairedBy, "At", at(a.RepairedAt), "Until", at(a.WatchedUntil))
		}
		by := a.AcknowledgedBy
		return c.say("taken-by", "Name", by, "At", c.moment(a.AcknowledgedAt.Time(), c.voice.Zone()))
	}
	return c.say("set-aside")
}
