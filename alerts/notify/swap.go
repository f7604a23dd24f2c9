package notify

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// Swap is an override made on the board: the file says who takes turns, and who takes
// tonight for somebody else is said where everybody looks. It counts before the
// overrides of the file, and the later before the earlier.
type Swap struct {
	ID   string `json:"id"`
	Rota string `json:"rota"`
	Override
	By   string    `json:"by"`
	Made time.Time `json:"made"`
}

// MaxSwap is how long a swap may last: longer is another rota.
const MaxSwap = 14 * 24 * time.Hour

// With returns the settings with swaps laid over them. Swaps of a rota or by a person
// that the settings no longer have are left out.
func (s *Settings) With(swaps []Swap) *Settings {
	out := *s
	out.Rotas = slices.Clone(s.Rotas)
	for i := range out.Rotas {
		r := &out.Rotas[i]
		r.Overrides = slices.Clone(r.Overrides)
		for _, x := range swaps {
			if x.Rota == r.Name && s.person(x.Person) != nil {
				r.Overrides = append(r.Overrides, x.Override)
			}
		}
	}
	return &out
}

// CheckSwap says everything that is wrong with a swap that is made now.
func (s *Settings) CheckSwap(x *Swap, now time.Time) error {
	var errs []error
	bad := func(text string) { errs = append(errs, errors.New(text)) }
	i := slices.IndexFunc(s.Rotas, func(r Rota) bool { return r.Name == x.Rota })
	if i < 0 {
		bad("there is no such rota any more")
	}
	p := s.person(x.Person)
	switch {
	case p == nil:
		bad("choose who takes it")
	case len(p.Contacts) == 0:
		bad(p.Name + " cannot be reached: there is no contact in the people file")
	}
	switch {
	case !x.To.After(x.From):
		bad("it ends before it begins")
	case !x.To.After(now):
		bad("it is over already")
	case x.To.Sub(x.From) > MaxSwap:
		bad(fmt.Sprintf("at most %.0f days; for longer change the rota in the people file", MaxSwap.Hours()/24))
	}
	if len(errs) == 0 && len(s.relieved(x)) == 0 {
		bad(p.Name + " is on call then anyway")
	}
	return errors.Join(errs...)
}

// relieved are those who would be on call in a swap's time without it, "" for nobody.
func (s *Settings) relieved(x *Swap) (out []string) {
	i := slices.IndexFunc(s.Rotas, func(r Rota) bool { return r.Name == x.Rota })
	if i < 0 {
		return nil
	}
	r := &s.Rotas[i]
	for at := x.From; at.Before(x.To); {
		who := ""
		if c := r.Chain(at); len(c) > 0 {
			who = c[0]
		}
		if who != x.Person && !slices.Contains(out, who) {
			out = append(out, who)
		}
		next, _, ok := r.Next(at, x.To.Sub(at))
		if !ok {
			break
		}
		at = next
	}
	return out
}

// turn is what a message about a swap has to say.
type turn struct {
	Name, Rota, From, To string
	Who, With            string // who takes it, and whose turn it is; "" where that is nobody's
	Why, By              string
	Takes                bool // the reader is the one who takes it
	Back                 bool // it was taken back
}

// Turn makes the messages by which those hear of a swap whom it puts on call or
// relieves: whoever sleeps through a turn that was entered for them has not been told.
// without are the settings as they are without the swap; back says that it was taken
// back, by whom. Quiet hours are kept where they end before the turn begins.
func (t *Team) Turn(x *Swap, without *Settings, back string, now time.Time) []ledger.Message {
	relieved := without.relieved(x)
	name := func(id string) string {
		if p := without.person(id); p != nil {
			return cmp.Or(p.Name, p.ID)
		}
		return id
	}
	var others []string
	for _, id := range relieved {
		if id != "" {
			others = append(others, name(id))
		}
	}
	var out []ledger.Message
	for _, id := range append([]string{x.Person}, relieved...) {
		p := without.person(id)
		if p == nil {
			continue
		}
		r := t.reader(p)
		data := turn{Name: p.Name, Rota: x.Rota, From: r.dateAndTime(x.From), To: r.dateAndTime(x.To),
			Who: name(x.Person), With: strings.Join(others, ", "), Why: x.Why, By: cmp.Or(back, x.By), Takes: id == x.Person, Back: back != ""}
		due := now
		if _, end := p.quiet(now); end.Before(x.From) {
			due = end
		}
		for _, c := range p.Contacts {
			if alerts.High < c.From {
				continue
			}
			subject, text := t.fill(p, kindTurn, c.Channel, data)
			out = append(out, ledger.Message{Key: fmt.Sprintf("%s/%s/%t/%s/%s", kindTurn, x.ID, data.Back, p.ID, c.Key()), Person: p.ID, Channel: c.Channel, To: c.To,
				Priority: alerts.High, Subject: subject, Text: text, Again: t.again(p), Body: body(kindTurn, p.ID, nil), Made: now, Due: due})
		}
	}
	return out
}
