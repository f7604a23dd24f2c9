package notify

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// card is what the texts about one alert see. Every string is for the reader:
// language, local time, own unit.
type card struct {
	ID, Priority, Where, What, Sure, Why, Left, Product, Limit string
	Opened, Since, Moved                                       string
	Take, Board, Map, Back, Repaired                           string
	Asked                                                      bool // the person is the next to be asked
	Food, Discard                                              bool // food under time control; some to be seen to
	Members, Seen, RuledOut, Cautions                          []string
}

// list is what the texts about several alerts see.
type list struct {
	Day, Board, Next string
	Count, OverCount int
	Lines, Over      []string
	Few              []string // the first lines, for a short message
	More             int      // lines that are not among them
	Sites            []siteCount
}

type siteCount struct {
	Name  string
	Count int
}

// trial is what the text of a test message sees.
type trial struct{ Name, At, Unit string }

// linkLife is how long a link acknowledges: past it the alert has long gone to
// the next person.
const linkLife = 24 * time.Hour

// maxMembers are named in a message, and fewLines in a short one; the board has
// the rest.
const (
	maxMembers = 8
	fewLines   = 3
)

func (t *Team) reader(p *Person) reader { return reader{p, t.templates.in(p.Language), t.o.Live} }

func (t *Team) card(kind string, p *Person, a *alerts.Alert, now time.Time) card {
	r := t.reader(p)
	c := card{
		ID: a.ID, Priority: r.priority(a.Priority), Where: t.where(r, a), What: r.what(a), Why: r.why(a, now),
		Opened: r.when(a.OpenedAt, now), Since: r.when(a.Since, now), Moved: r.when(a.MovedAt, now),
		Asked: kind == "escalation", Seen: r.evidence(a.Evidence, now), RuledOut: r.evidence(a.RuledOut, now), Discard: a.Latched,
	}
	if a.Recurrences > 0 {
		c.Back = r.l.say("back", a.Recurrences+1)
	}
	if a.RepairedAt != 0 && a.State == alerts.Unacknowledged {
		c.Repaired = r.l.say("repaired", struct{ Who, At string }{a.RepairedBy, r.when(a.RepairedAt, now)})
	}
	if a.Cause == alerts.MachineCause {
		m := t.machine(a.Machine)
		c.Sure = r.sure(a)
		c.Food = m != nil && alerts.HasFoodClock(m.Product)
		if a.HasProduct {
			c.Product = r.temperature(a.ProductTemperature)
		}
		c.Cautions = r.cautions(m, causesOf(a))
	} else {
		for i, m := range a.Members {
			if i == maxMembers {
				c.Members = append(c.Members, r.l.say("more", len(a.Members)-i))
				break
			}
			c.Members = append(c.Members, m.Machine)
		}
		c.Cautions = r.cautions(nil, []fault.Fault{a.Fault})
	}
	c.Left, c.Limit = r.limit(a, now)
	if t.o.BoardURL != "" {
		base := strings.TrimRight(t.o.BoardURL, "/")
		c.Board = base + "/alerts/" + url.PathEscape(a.ID)
		if t.o.Links != nil && a.State != alerts.Normal {
			c.Take = base + "/take/" + t.o.Links.Token(Grant{Alert: a.ID, Person: p.ID, Until: now.Add(linkLife).Unix()})
		}
	}
	if t.o.Place != nil {
		if pl := t.o.Place(a.Site); pl.HasPosition {
			c.Map = fmt.Sprintf("geo:%.5f,%.5f", pl.Latitude, pl.Longitude) // RFC 5870
		}
	}
	return c
}

// causesOf are the faults a machine's alert may be about.
func causesOf(a *alerts.Alert) []fault.Fault {
	out := append([]fault.Fault{a.Fault}, a.Others()...)
	for _, c := range a.Candidates {
		if c.Probability >= 0.05 && !slices.Contains(out, c.Fault) {
			out = append(out, c.Fault)
		}
	}
	return out
}

// limit says how long the product has, for the subject, and when it leaves its
// limit, in a line.
func (r reader) limit(a *alerts.Alert, now time.Time) (left, line string) {
	f := r.facts(a, now)
	at := struct {
		Cold      bool
		At, Early string
	}{Cold: f.Side == detect.Cold}
	switch f.Standing {
	case alerts.TimeLeft:
		if f.Left <= 0 {
			return "", ""
		}
		at.At = r.when(f.LimitAt, now)
		if f.LimitEarly != 0 && f.LimitEarly.Time().After(now) {
			at.Early = r.when(f.LimitEarly, now)
		}
		return r.l.say("left", r.span(f.Left)), r.l.say("limit.left", at)
	case alerts.Expected:
		at.At = r.when(f.LimitAt, now)
		return "", r.l.say("limit.expected", at)
	case alerts.Over, alerts.Frozen:
		at.At = r.when(f.OutSince, now)
		return "", r.l.say("limit.out", at)
	}
	return "", ""
}

func (t *Team) machine(id string) *fleet.Machine {
	if t.o.Machine == nil {
		return nil
	}
	return t.o.Machine(id)
}

// where is the site's name and the machine.
func (t *Team) where(r reader, a *alerts.Alert) string {
	switch {
	case a.Cause == alerts.SharedLink:
		return r.l.say("several-sites", nil)
	case a.Machine != "":
		return t.siteName(a.Site) + ", " + a.Machine
	}
	return t.siteName(a.Site)
}

func (t *Team) siteName(site string) string {
	if t.o.Place != nil {
		if n := t.o.Place(site).Name; n != "" {
			return n
		}
	}
	return site
}

// what is wrong, in words.
func (r reader) what(a *alerts.Alert) string {
	switch a.Cause {
	case alerts.SitePower:
		return r.l.say("cause.site-power", len(a.Members))
	case alerts.Uplink:
		return r.l.say("cause.uplink", len(a.Members))
	case alerts.SharedLink:
		return r.l.say("cause.shared-link", len(a.Members))
	}
	first := r.fault(a.Fault)
	var rest []string
	for _, f := range a.Others() {
		rest = append(rest, r.fault(f))
	}
	if len(rest) == 0 {
		return first
	}
	return r.l.say("also", struct {
		First string
		Rest  []string
	}{first, rest})
}

func (r reader) sure(a *alerts.Alert) string {
	d := struct{ Sure, Else, ElseSure string }{Sure: fmt.Sprintf("%.0f", 100*a.Probability)}
	for _, c := range a.Candidates {
		if c.Fault != a.Fault && c.Probability >= 0.05 {
			d.Else, d.ElseSure = r.fault(c.Fault), fmt.Sprintf("%.0f", 100*c.Probability)
			break
		}
	}
	return r.l.say("sure", d)
}

// render writes one alert for one person and channel.
func (t *Team) render(kind, channel string, p *Person, a *alerts.Alert, now time.Time) (subject, text string) {
	name := kindAlert
	if kind == kindOver {
		name = kindOver
	}
	return t.fill(p, name, channel, t.card(kind, p, a, now))
}

// fill fills in a text of the person's language. One that an admin wrote and that
// fails on this very alert, though it was tried, gives way to the program's own.
func (t *Team) fill(p *Person, kind, channel string, data any) (subject, text string) {
	subject, text, err := t.templates.in(p.Language).fill(kind, channel, data)
	if err == nil {
		return subject, text
	}
	subject, text, own := ownTemplates().in(p.Language).fill(kind, channel, data)
	if own != nil {
		panic(fmt.Sprintf("notify: %v", errors.Join(err, own)))
	}
	return subject, text
}

func (t *Team) renderSummary(p *Person, channel string, open []alerts.Alert, now time.Time) (subject, text string) {
	r := t.reader(p)
	l := list{Day: r.date(p.local(now)), Board: t.o.BoardURL}
	for i := range open {
		a := &open[i]
		line := fmt.Sprintf("%s: %s. %s", t.where(r, a), r.what(a), r.why(a, now))
		if a.State == alerts.ReturnedUnacked {
			line = r.l.say("over-by-now", line)
		}
		l.Lines = append(l.Lines, line)
	}
	l.count()
	return t.fill(p, kindSummary, channel, l)
}

func (l *list) count() {
	l.Count, l.OverCount = len(l.Lines), len(l.Over)
	l.Few = l.Lines[:min(fewLines, len(l.Lines))]
	l.More = len(l.Lines) - len(l.Few)
}

// Fold writes the one message that takes the place of many to one person, and says
// how long the next such waits.
func (t *Team) Fold(person, channel string, ms []ledger.Message, next time.Duration) (subject, text string) {
	p := t.Settings().person(person)
	if p == nil {
		p = &Person{ID: person}
	}
	r := t.reader(p)
	l := list{Board: t.o.BoardURL, Next: r.span(next)}
	sites := map[string]int{}
	for _, m := range ms {
		kind, about := bodyOf(m)
		if kind == kindOver {
			l.Over = append(l.Over, m.Subject)
			continue
		}
		l.Lines = append(l.Lines, m.Subject)
		for i := range about {
			sites[about[i].Site]++
		}
	}
	for site, n := range sites {
		l.Sites = append(l.Sites, siteCount{t.siteName(site), n})
	}
	slices.SortFunc(l.Sites, func(a, b siteCount) int {
		if a.Count != b.Count {
			return b.Count - a.Count
		}
		return strings.Compare(a.Name, b.Name)
	})
	l.count()
	return t.fill(p, kindFlood, channel, l)
}
