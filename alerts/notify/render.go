package notify

import (
	"embed"
	"fmt"
	"math"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"text/template"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

//go:embed templates
var templateFiles embed.FS

// messageTemplates by name. A language is a folder; a person's whose language has
// none gets English.
var messageTemplates = map[string]*template.Template{}

func init() {
	for _, n := range []string{"alert.email", "alert.short", "over.email", "over.short", "summary", "flood"} {
		messageTemplates[n] = template.Must(template.ParseFS(templateFiles, "templates/en/"+n+".txt"))
	}
}

// card is what the templates of one alert see. Every string is for the reader:
// local time, own unit.
type card struct {
	ID, Priority, Where, What, Sure, Why, Left, Product, Limit string
	Opened, Since, Moved                                       string
	Take, Board, Map                                           string
	Asked                                                      bool
	Members, Seen, RuledOut, Cautions                          []string
}

// linkLife is how long a link acknowledges: past it the alert has long gone to
// the next person.
const linkLife = 24 * time.Hour

// maxMembers are named in a message; the board has the rest.
const maxMembers = 8

func (t *Team) card(kind string, p *Person, a *alerts.Alert, now time.Time) card {
	r := reader{p}
	c := card{
		ID: a.ID, Priority: strings.ToUpper(a.Priority.String()), Where: t.where(a), What: what(a), Why: r.units(a.Why),
		Opened: r.when(a.OpenedAt, now), Since: r.when(a.Since, now), Moved: r.when(a.MovedAt, now),
		Asked: kind == "escalation", Seen: r.all(a.Evidence), RuledOut: r.all(a.RuledOut),
	}
	if a.Cause == alerts.MachineCause {
		c.Sure = sure(a)
		c.Cautions = Cautions(a.Fault, t.machine(a.Machine))
		if a.HasProduct {
			c.Product = r.temperature(a.ProductTemperature)
		}
	} else {
		for i, m := range a.Members {
			if i == maxMembers {
				c.Members = append(c.Members, fmt.Sprintf("and %d more", len(a.Members)-i))
				break
			}
			c.Members = append(c.Members, m.Machine)
		}
		c.Cautions = Cautions(a.Fault, nil)
	}
	if a.LimitAt != 0 {
		verb := "Leaves its limit about"
		if a.LimitSide == detect.Cold {
			verb = "Freezes about"
		}
		if left := a.LimitAt.Time().Sub(now); left > 0 {
			c.Left = alerts.Span(left) + " left"
			c.Limit = verb + " " + r.when(a.LimitAt, now)
			if a.LimitEarly != 0 && a.LimitEarly.Time().After(now) {
				c.Limit += ", " + r.when(a.LimitEarly, now) + " at the earliest"
			}
		} else {
			c.Left, c.Limit = "over its limit", "Over its limit since about "+r.when(a.LimitAt, now)
		}
	}
	for i := range c.Cautions {
		c.Cautions[i] = r.units(c.Cautions[i])
	}
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

func (t *Team) machine(id string) *fleet.Machine {
	if t.o.Machine == nil {
		return nil
	}
	return t.o.Machine(id)
}

// where is the site's name and the machine.
func (t *Team) where(a *alerts.Alert) string {
	site := a.Site
	if t.o.Place != nil {
		if n := t.o.Place(a.Site).Name; n != "" {
			site = n
		}
	}
	switch {
	case a.Cause == alerts.SharedLink:
		return "Several sites"
	case a.Machine != "":
		return site + ", " + a.Machine
	}
	return site
}

// what is wrong, in words.
func what(a *alerts.Alert) string {
	switch a.Cause {
	case alerts.SitePower:
		return fmt.Sprintf("site without power, %d machines", len(a.Members))
	case alerts.Uplink:
		return fmt.Sprintf("gateway or uplink down, %d machines unheard", len(a.Members))
	case alerts.SharedLink:
		return fmt.Sprintf("broker or a shared link down, %d machines unheard", len(a.Members))
	}
	return faultWords(a.Fault)
}

func faultWords(f fault.Fault) string { return strings.ReplaceAll(f.String(), "-", " ") }

func sure(a *alerts.Alert) string {
	s := fmt.Sprintf("%.0f %% sure", 100*a.Probability)
	for _, c := range a.Candidates {
		if c.Fault != a.Fault && c.Probability >= 0.05 {
			return s + fmt.Sprintf(", else %s %.0f %%", faultWords(c.Fault), 100*c.Probability)
		}
	}
	return s
}

// render writes one alert for one person and channel.
func (t *Team) render(kind, channel string, p *Person, a *alerts.Alert, now time.Time) (subject, text string) {
	name := "alert"
	if kind == "over" {
		name = "over"
	}
	if channel == "email" {
		name += ".email"
	} else {
		name += ".short"
	}
	return fillIn(name, t.card(kind, p, a, now))
}

// list is what the templates of several alerts see.
type list struct {
	Day, Board string
	Lines      []string
}

func (t *Team) renderSummary(p *Person, open []alerts.Alert, now time.Time) (subject, text string) {
	l := list{Day: p.local(now).Format("Mon, Jan 2"), Board: t.o.BoardURL}
	for i := range open {
		a := &open[i]
		state := ""
		if a.State == alerts.ReturnedUnacked {
			state = " (over by now)"
		}
		l.Lines = append(l.Lines, fmt.Sprintf("%s: %s%s. %s", t.where(a), what(a), state, reader{p}.units(a.Why)))
	}
	return fillIn("summary", l)
}

// fold writes the one message that takes the place of many.
func fold(board string, ms []ledger.Message) (subject, text string) {
	l := list{Board: board}
	for _, m := range ms {
		l.Lines = append(l.Lines, m.Subject)
	}
	return fillIn("flood", l)
}

func fillIn(name string, data any) (subject, text string) {
	var s, b strings.Builder
	tpl := messageTemplates[name]
	if err := tpl.ExecuteTemplate(&s, "subject", data); err != nil {
		panic(fmt.Sprintf("notify: template %s: %v", name, err))
	}
	if err := tpl.Execute(&b, data); err != nil {
		panic(fmt.Sprintf("notify: template %s: %v", name, err))
	}
	// A line break in a name must not start a new header.
	return strings.Join(strings.Fields(s.String()), " "), b.String()
}

// reader writes for one person.
type reader struct{ p *Person }

// when is a time on the person's own clock; the day only when it is another.
func (r reader) when(m collector.Millis, now time.Time) string {
	t, n := r.p.local(m.Time()), r.p.local(now)
	if dateOf(t) == dateOf(n) {
		return t.Format("15:04 MST")
	}
	return t.Format("Mon 15:04 MST")
}

func (r reader) temperature(t quantity.Celsius) string {
	if r.p.Fahrenheit {
		return fmt.Sprintf("%.1f °F", t.Fahrenheit())
	}
	return fmt.Sprintf("%.1f °C", float64(t))
}

func (r reader) all(ev []detect.Evidence) []string {
	out := make([]string, len(ev))
	for i, e := range ev {
		out[i] = r.units(e.Text)
	}
	return out
}

var (
	inCelsius = regexp.MustCompile(`([-−]?\d+(?:\.\d+)?) °C`)
	inKelvin  = regexp.MustCompile(`(\d+(?:\.\d+)?)((?: ± \d+(?:\.\d+)?)?) K\b`)
)

// units rewrites temperatures in a sentence for somebody who reads °F.
func (r reader) units(s string) string {
	if !r.p.Fahrenheit {
		return s
	}
	s = inCelsius.ReplaceAllStringFunc(s, func(m string) string {
		text := inCelsius.FindStringSubmatch(m)[1]
		v, _ := strconv.ParseFloat(strings.Replace(text, "−", "-", 1), 64)
		return number(quantity.Celsius(v).Fahrenheit(), text) + " °F"
	})
	return inKelvin.ReplaceAllStringFunc(s, func(m string) string {
		sub := inKelvin.FindStringSubmatch(m)
		out := scaled(sub[1])
		if sub[2] != "" {
			out += " ± " + scaled(strings.TrimPrefix(sub[2], " ± "))
		}
		return out + " °F"
	})
}

func scaled(text string) string {
	v, _ := strconv.ParseFloat(text, 64)
	return number(v*9/5, text)
}

// number keeps the decimals the text had.
func number(v float64, like string) string {
	_, dec, _ := strings.Cut(like, ".")
	f := math.Pow10(len(dec))
	return strconv.FormatFloat(math.Round(v*f)/f, 'f', len(dec), 64)
}
