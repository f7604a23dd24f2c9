package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
)

// TeamOptions say what a [Team] works with.
type TeamOptions struct {
	Settings *Settings
	Place    func(site string) Place                 // for people; nil: ids alone
	Machine  func(id string) *fleet.Machine          // nil result: not listed
	Links    *Links                                  // nil: no links in messages
	Current  func(alert string) (alerts.Alert, bool) // as it is now, if it is not over; nil: messages go out as they were made
	Texts    *Templates                              // nil: those that come with the program
	BoardURL string                                  // "" : no links

	// Live returns what a machine's model knows now of what an alert is about; nil:
	// what the alert itself knows.
	Live func(a *alerts.Alert, now time.Time) alerts.Live

	// Quiet returns when what is not urgent may be told about an alert, at the
	// earliest at the time given; nil: at once. People's own quiet hours count too.
	Quiet func(a *alerts.Alert, at time.Time) time.Time
}

// Place is what a message says of a site.
type Place struct {
	Name                string
	Latitude, Longitude float64
	HasPosition         bool
}

// Team makes messages. It is a function of its settings and what it is given; the
// settings can be replaced while it is in use.
type Team struct {
	o         TeamOptions
	templates *Templates
	settings  atomic.Pointer[Settings]
}

// NewTeam returns a team.
func NewTeam(o TeamOptions) *Team {
	t := &Team{o: o, templates: o.Texts}
	if t.templates == nil {
		t.templates = ownTemplates()
	}
	if o.Settings == nil {
		o.Settings = &Settings{}
	}
	t.Set(o.Settings)
	return t
}

// Set takes new settings, which must be valid.
func (t *Team) Set(s *Settings) {
	if s.EscalateAfter == nil {
		s.EscalateAfter = DefaultEscalation()
	}
	t.settings.Store(s)
}

// Check says what of other settings there are no texts for.
func (t *Team) Check(s *Settings) error { return t.templates.Check(s) }

// Settings returns the settings in use. The caller must not change them.
func (t *Team) Settings() *Settings { return t.settings.Load() }

// Chain returns who is asked about a site at the time, the one on call first.
func (t *Team) Chain(site string, at time.Time) []string {
	if r := t.Settings().Rota(site); r != nil {
		return r.Chain(at)
	}
	return nil
}

// Tell makes the messages that a change of an alert asks for.
func (t *Team) Tell(c alerts.Change) []ledger.Message {
	a := c.Alert
	if a == nil {
		return nil
	}
	at := c.At.Time()
	chain := t.Chain(a.Site, at)
	if len(chain) == 0 {
		return nil
	}
	switch {
	case a.State == alerts.Unacknowledged && a.Priority >= a.Peak && a.Priority >= alerts.Medium:
		// One message for each rise of one episode: the key has no more in it.
		return t.write(a, chain[0], "alert", fmt.Sprintf("%s/%d/%s/%s", a.ID, a.MovedAt, a.Cause, a.Priority), at, at)
	case c.Kind == alerts.Moved && c.Step.Verb == alerts.Return && (a.Peak >= alerts.High || a.Latched) && c.Step.From != alerts.Suppressed:
		who := chain[0]
		for _, p := range t.Settings().People {
			if a.AcknowledgedBy != "" && (p.ID == a.AcknowledgedBy || p.Name == a.AcknowledgedBy) {
				who = p.ID
			}
		}
		p := t.Settings().person(who)
		due := at
		if p != nil {
			_, due = p.quiet(at)
		}
		return t.write(a, who, "over", fmt.Sprintf("%s/%d/over", a.ID, a.MovedAt), at, due)
	}
	return nil
}

// Escalate makes the messages to the next person for alerts that nobody took in
// time. Call it every minute or so with the open alerts; the same step makes the
// same key.
func (t *Team) Escalate(open []alerts.Alert, now time.Time) []ledger.Message {
	var out []ledger.Message
	for i := range open {
		a := &open[i]
		after := time.Duration(t.Settings().EscalateAfter[a.Priority]) * time.Minute
		if a.State != alerts.Unacknowledged || after <= 0 {
			continue
		}
		chain := t.Chain(a.Site, now)
		n := int(now.Sub(a.MovedAt.Time()) / after)
		// After the last of the chain it starts again, three times round at most.
		if n < 1 || len(chain) == 0 || n >= 3*len(chain) {
			continue
		}
		who := chain[n%len(chain)]
		if p := t.Settings().person(who); p != nil && a.Priority < alerts.High && t.tellable(p, a, now).After(now) {
			continue
		}
		out = append(out, t.write(a, who, "escalation", fmt.Sprintf("%s/%d/%s/ask%d", a.ID, a.MovedAt, a.Priority, n), now, now)...)
	}
	return out
}

// Summary makes the morning's messages: what is open and was not worth a message
// at night. Call it every minute or so; each person has one a day.
func (t *Team) Summary(open []alerts.Alert, now time.Time) []ledger.Message {
	var out []ledger.Message
	for i := range t.Settings().People {
		p := &t.Settings().People[i]
		local := p.local(now)
		if at := p.SummaryAt.on(local); local.Before(at) || local.Sub(at) > 2*time.Hour {
			continue
		}
		var mine []alerts.Alert
		for _, a := range open {
			if a.State != alerts.Unacknowledged && a.State != alerts.ReturnedUnacked || a.Priority >= alerts.High && a.State == alerts.Unacknowledged {
				continue
			}
			if chain := t.Chain(a.Site, now); len(chain) > 0 && chain[0] == p.ID {
				mine = append(mine, a)
			}
		}
		if len(mine) == 0 {
			continue
		}
		for _, c := range p.Contacts {
			if c.From > alerts.Low {
				continue
			}
			subject, text := t.renderSummary(p, c.Channel, mine, now)
			out = append(out, ledger.Message{Key: fmt.Sprintf("summary/%s/%s/%s/%s", p.ID, dateOf(local), c.Channel, digest(c.To)), Person: p.ID,
				Channel: c.Channel, To: c.To, Priority: alerts.Low, Subject: subject, Text: text, Again: t.again(p), Body: body("summary", p.ID, mine), Made: now, Due: now})
		}
	}
	return out
}

// Test makes a message to one person over one contact, to see whether it arrives.
// The person need not be among the people: techs have contacts of their own.
func (t *Team) Test(p *Person, c Contact, now time.Time) ledger.Message {
	r := t.reader(p)
	subject, text := t.fill(p, kindTest, c.Channel, trial{p.Name, r.when(collector.MillisOf(now), now), r.unit()})
	return ledger.Message{Key: fmt.Sprintf("%s%d", TestKey(p.ID, c), now.UnixMilli()), Person: p.ID, Channel: c.Channel, To: c.To,
		Priority: alerts.Low, Subject: subject, Text: text, Again: t.again(p), Body: body(kindTest, p.ID, nil), Made: now, Due: now}
}

// TestKey is what the keys of test messages to one contact begin with.
func TestKey(person string, c Contact) string {
	return fmt.Sprintf("%s/%s/%s/", kindTest, person, c.Key())
}

// IsTest reports whether a message only tries whether it arrives.
func IsTest(m *ledger.Message) bool { return strings.HasPrefix(m.Key, kindTest+"/") }

// again is what goes before a message that may have arrived before.
func (t *Team) again(p *Person) string { return t.reader(p).l.say("again", nil) }

// write makes one message a contact that takes the priority. Medium and lower wait
// until the quiet hours are over.
func (t *Team) write(a *alerts.Alert, who, kind, key string, made, due time.Time) []ledger.Message {
	p := t.Settings().person(who)
	if p == nil {
		return nil
	}
	if a.Priority < alerts.High {
		due = t.tellable(p, a, due)
	}
	var out []ledger.Message
	for _, c := range p.Contacts {
		if a.Priority < c.From {
			continue
		}
		subject, text := t.render(kind, c.Channel, p, a, made)
		out = append(out, ledger.Message{Key: key + "/" + who + "/" + c.Channel + "/" + digest(c.To), Alert: a.ID, Person: who, Channel: c.Channel, To: c.To,
			Priority: a.Priority, Subject: subject, Text: text, Again: t.again(p), Body: body(kind, who, []alerts.Alert{*a}), Made: made, Due: due})
	}
	return out
}

// tellable is when neither the person nor the machine is quiet, from the time on.
func (t *Team) tellable(p *Person, a *alerts.Alert, due time.Time) time.Time {
	for range 4 { // the end of one's quiet hours may lie in the other's
		from := due
		if t.o.Quiet != nil {
			due = t.o.Quiet(a, due)
		}
		if _, end := p.quiet(due); end.After(due) {
			due = end
		}
		if due.Equal(from) {
			break
		}
	}
	return due
}

// body is the message for machines.
func body(kind, person string, about []alerts.Alert) json.RawMessage {
	b, err := json.Marshal(struct {
		Kind   string         `json:"kind"`
		Person string         `json:"person"`
		Alerts []alerts.Alert `json:"alerts"`
	}{kind, person, about})
	if err != nil {
		panic(fmt.Sprintf("notify: an alert cannot be written as JSON: %v", err))
	}
	return b
}

// digest is a short name for addresses and keys, which may be long or secret.
func digest(of ...string) string {
	h := sha256.New()
	for _, s := range of {
		fmt.Fprintf(h, "%d:%s", len(s), s)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}
