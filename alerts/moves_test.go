package alerts

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// legalMoves is the life of an alert as ISA-18.2 draws it (states and paths from
// memory), written again apart from the table: from, verb, whether the trouble is
// there ("+", "-" or both), to, by whom (model, clock, design, operator, tech,
// admin by first letter). "!" is trouble that is over and has left food to be seen
// to: the standard's latched alarm, which returns to normal only once somebody has
// taken it.
const legalMoves = `
normal                             raise + unacknowledged m
normal                             recur +- unacknowledged m
unacknowledged                     acknowledge +- acknowledged ota
unacknowledged                     return +- returned to normal, unacknowledged m
unacknowledged                     shelve +- shelved ota
unacknowledged                     suppress +- suppressed by design d
unacknowledged                     take out of service +- out of service oa
acknowledged                       return +- normal m
acknowledged                       return ! returned to normal, unacknowledged m
acknowledged                       rearm +- unacknowledged m
acknowledged                       shelve +- shelved ota
acknowledged                       suppress +- suppressed by design d
acknowledged                       take out of service +- out of service oa
returned to normal, unacknowledged acknowledge +- normal ota
returned to normal, unacknowledged recur +- unacknowledged m
returned to normal, unacknowledged shelve +- shelved ota
returned to normal, unacknowledged take out of service +- out of service oa
shelved                            return +- shelved m
shelved                            recur +- shelved m
shelved                            shelve +- shelved ota
shelved                            unshelve + unacknowledged cota
shelved                            unshelve - normal cota
shelved                            unshelve ! returned to normal, unacknowledged cota
shelved                            take out of service +- out of service oa
suppressed by design               return +- suppressed by design m
suppressed by design               recur +- suppressed by design m
suppressed by design               unsuppress + unacknowledged d
suppressed by design               unsuppress - normal d
suppressed by design               unsuppress ! returned to normal, unacknowledged d
suppressed by design               take out of service +- out of service oa
out of service                     return +- out of service m
out of service                     recur +- out of service m
out of service                     put back in service + unacknowledged oa
out of service                     put back in service - normal oa
out of service                     put back in service ! returned to normal, unacknowledged oa
`

var roles = []Role{Model, Clock, Design, Operator, Tech, Admin}

// TestEveryMove tries every verb by every role in every state, active and not:
// what is listed must happen, what is not must be refused and change nothing.
func TestEveryMove(t *testing.T) {
	want := map[string]string{}
	for line := range strings.Lines(strings.TrimSpace(legalMoves)) {
		line = strings.TrimSpace(line)
		for _, cond := range []string{" +- ", " + ", " - ", " ! "} {
			left, right, ok := strings.Cut(line, cond)
			if !ok {
				continue
			}
			i := strings.LastIndex(right, " ")
			to, by := right[:i], right[i+1:]
			for _, c := range strings.TrimSpace(cond) {
				for _, r := range by {
					key := strings.Join(strings.Fields(left), " ") + string(c) + string(r)
					want[key] = to
					if c == '-' {
						want[strings.Replace(key, "-", "!", 1)] = to // until a line of its own says another
					}
				}
			}
			break
		}
	}
	legalCount := 0
	for s := range State(NumStates) {
		for v := range Verb(NumVerbs) {
			for _, sign := range []string{"+", "-", "!"} {
				for _, by := range roles {
					active := sign == "+" || sign == "!" && v == Return // what returns was active
					a := Alert{ID: "A-1", State: s, Active: active, Latched: sign == "!", Seq: 7}
					to, legal := want[s.String()+" "+v.String()+sign+by.String()[:1]]
					step, err := a.Do(Order{Verb: v, By: Actor{by, "x"}, At: t0, Reason: "because", Until: t0.Add(time.Hour)})
					name := fmt.Sprintf("%s, %s by %s, %s", s, v, by, sign)
					if legal {
						legalCount++
						if err != nil || a.State.String() != to || step.From != s || step.To != a.State || a.Seq != 8 || step.Seq != 8 {
							t.Errorf("%s: %v, now %s, step %+v; want %s", name, err, a.State, step, to)
						}
						continue
					}
					var im *IllegalMove
					if !errors.As(err, &im) || a.State != s || a.Seq != 7 {
						t.Errorf("%s: error %v, now %s; want it refused and unchanged", name, err, a.State)
						continue
					}
					for _, p := range Possible(s, active, by) {
						if !strings.Contains(err.Error(), p.String()) {
							t.Errorf("%s: %q does not say that %q is possible", name, err, p)
						}
					}
				}
			}
		}
	}
	if legalCount != len(want) {
		t.Errorf("%d legal moves seen, %d listed", legalCount, len(want))
	}
}

func TestShelvingNeedsAReasonAndAnEnd(t *testing.T) {
	for _, o := range []Order{
		{Reason: "", Until: t0.Add(time.Hour)},
		{Reason: " ", Until: t0.Add(time.Hour)},
		{Reason: "parts ordered"},
		{Reason: "parts ordered", Until: t0},
		{Reason: "parts ordered", Until: t0.Add(MaxShelve + time.Minute)},
	} {
		a := Alert{ID: "A-1", State: Unacknowledged, Active: true}
		o.Verb, o.By, o.At = Shelve, Actor{Operator, "ada"}, t0
		if _, err := a.Do(o); err == nil {
			t.Errorf("shelved with reason %q until %v", o.Reason, o.Until)
		}
	}
}

func TestShelvingEndsByItself(t *testing.T) {
	q, s := New(Options{}), &story{}
	q.Apply(s.raise(mins(0), "s0", "m1", 5, 0.95, 4*time.Hour))
	q.Advance(mins(30))
	if _, err := q.Do("A-F-000001", Order{Verb: Shelve, By: Actor{Operator, "ada"}, At: mins(31), Reason: "parts ordered", Until: mins(91)}); err != nil {
		t.Fatal(err)
	}
	q.Advance(mins(90))
	if st := q.Alert("A-F-000001").State; st != Shelved {
		t.Errorf("before the end it is %s", st)
	}
	c := q.Advance(mins(92))
	if st := q.Alert("A-F-000001").State; st != Unacknowledged {
		t.Errorf("after the end it is %s", st)
	}
	if !slices.ContainsFunc(c, func(c Change) bool { return c.Step.Verb == Unshelve && c.At == mins(91) && c.Step.By.Role == Clock }) {
		t.Errorf("the end is not in the audit: %+v", c)
	}
}
