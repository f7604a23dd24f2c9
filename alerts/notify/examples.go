package notify

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/collector/quantity"
)

// try fills in every text with examples of everything, so that a word or a field
// that is wrong is found at the start and not at night.
func (t *Templates) try() error {
	var bad []error
	for _, name := range t.Languages() {
		l := t.languages[name]
		r := reader{p: &Person{Language: name, TimeZone: "UTC"}, l: l}
		for _, w := range l.words.Templates() {
			if err := r.tryWord(w.Name()); err != nil {
				bad = append(bad, err)
			}
		}
		for _, k := range kinds {
			for _, c := range Channels {
				for _, data := range r.examples(k) {
					if _, _, err := l.fill(k, c, data); err != nil && !slices.ContainsFunc(bad, func(e error) bool { return e.Error() == err.Error() }) {
						bad = append(bad, err)
					}
				}
			}
		}
	}
	return errors.Join(bad...)
}

// tryWord says a word as the code would.
func (r reader) tryWord(name string) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = errors.New(strings.TrimPrefix(fmt.Sprint(p), "notify: "))
		}
	}()
	at := struct {
		Cold      bool
		At, Early string
	}{true, "12:00", "11:00"}
	days := struct{ H, Min, Days string }{"1", "2", "3"}
	switch head, _, _ := strings.Cut(name, "."); head {
	case "words", "subject":
	case "page":
		given := map[string]string{}
		for _, f := range r.l.fields[name] {
			given[f] = "x"
		}
		r.l.say(name, given)
	case "also":
		r.l.say(name, struct {
			First string
			Rest  []string
		}{"a", []string{"b", "c"}})
	case "repaired":
		r.l.say(name, struct{ Who, At string }{"a", "12:00"})
	case "sure":
		r.l.say(name, struct{ Sure, Else, ElseSure string }{"1", "a", "2"})
	case "limit":
		r.l.say(name, at)
	case "span":
		r.l.say(name, days)
	case "date":
		r.date(time.Unix(0, 0))
	case "why":
		for s := range standings {
			for _, more := range []stakes{{}, {Ruled: true, RuleLeft: "1 h", Left: "1 h", Worst: "1 h"}, {Ruled: true, SixLeft: "1 h", Cold: true}, {Ruled: true, Above21: true, Machines: 2}} {
				more.Standing = standings[s]
				r.l.say(name, more)
			}
		}
	case "not":
		r.l.say(name, struct{ Fault, Why string }{"a", "b"})
	default:
		r.l.say(name, 2)
	}
	return nil
}

// examples are what a text of the kind may be given.
func (r reader) examples(kind string) []any {
	switch kind {
	case kindSummary, kindFlood:
		full := list{Day: "x", Board: "x", Next: "x", Lines: []string{"a", "b", "c", "d"}, Over: []string{"e"}, Sites: []siteCount{{"s", 4}}}
		full.count()
		return []any{list{}, full, list{Over: []string{"e"}, OverCount: 1}}
	case kindRoute:
		stop := itineraryStop{Number: 1, Name: "x", Arrive: "x", Opens: "x", Late: "x", By: "x", CanWait: true, Jobs: []string{"a"}, Map: "x", Link: "x"}
		return []any{itinerary{}, itinerary{Name: "x", AsOf: "x", Count: 2, First: "x", Length: "x", Driving: "x", Load: []string{"a", "b"}, Check: []string{"c"}, Tools: []string{"d"},
			Stops: []itineraryStop{stop, {Number: 2, Name: "y"}}, Cautions: []string{"e"}, Board: "x"}}
	case kindAsk:
		return []any{question{}, question{Name: "x", Stop: "x", Arrive: "x", Until: "x", Link: "x"}}
	case kindTest:
		return []any{trial{"a", "b", "c"}}
	case kindTurn:
		full := turn{Name: "x", Rota: "x", From: "x", To: "x", Who: "x", With: "x", Why: "x", By: "x"}
		takes, back, again := full, full, full
		takes.Takes, again.Takes, back.Back, again.Back = true, true, true, true
		return []any{turn{}, full, takes, back, again}
	}
	some := []string{"a", "b"}
	full := card{ID: "x", Priority: "x", Where: "x", What: "x", Sure: "x", Why: "x", Left: "x", Product: r.temperature(quantity.Celsius(1)), Limit: "x",
		Opened: "x", Since: "x", Moved: "x", Take: "x", Board: "x", Map: "x", Back: "x", Repaired: "x", Asked: true, Food: true, Discard: true,
		Members: some, Seen: some, RuledOut: some, Cautions: some}
	quiet := full
	quiet.Asked, quiet.Discard = false, false
	return []any{card{}, full, quiet}
}
