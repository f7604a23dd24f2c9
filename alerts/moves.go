package alerts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/collector"
)

// State is where an alert is in its life. The words are those of ISA-18.2.
type State uint8

// States of an alert. Normal is the end: the same trouble a day later is a new alert.
const (
	Normal          State = iota
	Unacknowledged        // in alarm, nobody has taken it
	Acknowledged          // in alarm, somebody has
	ReturnedUnacked       // returned to normal before anybody took it
	Shelved               // put aside by a person, with an end and a reason
	Suppressed            // by design: another alert explains it
	OutOfService          // the machine is not in use
	NumStates       int   = iota
)

var stateNames = [NumStates]string{"normal", "unacknowledged", "acknowledged", "returned to normal, unacknowledged",
	"shelved", "suppressed by design", "out of service"}

func (s State) String() string { return stateNames[s] }

// MarshalText writes the state's name.
func (s State) MarshalText() ([]byte, error) { return []byte(stateNames[s]), nil }

// UnmarshalText reads a state's name.
func (s *State) UnmarshalText(b []byte) error {
	i := slices.Index(stateNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("alert state %q is not known", b)
	}
	*s = State(i)
	return nil
}

// Verb is what moves an alert from one state to the next.
type Verb uint8

// Verbs.
const (
	Raise       Verb = iota // the trouble is there: the alert opens
	Acknowledge             // a person takes it
	Return                  // the trouble is over
	Recur                   // the trouble is back
	Rearm                   // since it was acknowledged it has become more urgent, or was repaired in vain
	Shelve                  // a person puts it aside until a time
	Unshelve                // the time is over, or a person fetches it back
	Suppress                // another alert explains it
	Unsuppress              // it does so no more
	TakeOut                 // the machine is taken out of service
	PutBack                 // and back
	NumVerbs    int  = iota
)

var verbNames = [NumVerbs]string{"raise", "acknowledge", "return", "recur", "rearm", "shelve", "unshelve", "suppress",
	"unsuppress", "take out of service", "put back in service"}

func (v Verb) String() string { return verbNames[v] }

// MarshalText writes the verb's name.
func (v Verb) MarshalText() ([]byte, error) { return []byte(verbNames[v]), nil }

// UnmarshalText reads a verb's name.
func (v *Verb) UnmarshalText(b []byte) error {
	i := slices.Index(verbNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("alert move %q is not known", b)
	}
	*v = Verb(i)
	return nil
}

// Role is who makes a move, as a set.
type Role uint8

// Roles. A signed link acts for the tech it was sent to.
const (
	Model    Role = 1 << iota // the findings
	Clock                     // time running out
	Design                    // the rules of cause.go
	Operator                  // at the board
	Tech                      // on call
	Admin
	person = Operator | Tech | Admin
)

// Has reports whether the sets meet.
func (r Role) Has(q Role) bool { return r&q != 0 }

func (r Role) String() string {
	var out []string
	for i, n := range []string{"model", "clock", "design", "operator", "tech", "admin"} {
		if r&(1<<i) != 0 {
			out = append(out, n)
		}
	}
	return strings.Join(out, " or ")
}

// condition says for which alerts a row of the table holds.
type condition uint8

const (
	always  condition = iota
	active            // the trouble is there
	gone              // it is not
	latched           // it is not, but what it did to the food must be seen to
)

// legal is one row of the table of moves.
type legal struct {
	From State
	Verb Verb
	When condition
	To   State
	By   Role
}

// moves is every legal move. What is not here is refused.
var moves = []legal{
	{Normal, Raise, active, Unacknowledged, Model},
	{Normal, Recur, always, Unacknowledged, Model}, // within the day: the same alert

	{Unacknowledged, Acknowledge, always, Acknowledged, person},
	{Unacknowledged, Return, always, ReturnedUnacked, Model},
	{Unacknowledged, Shelve, always, Shelved, person},
	{Unacknowledged, Suppress, always, Suppressed, Design},
	{Unacknowledged, TakeOut, always, OutOfService, Operator | Admin},

	{Acknowledged, Return, gone, Normal, Model},
	{Acknowledged, Return, latched, ReturnedUnacked, Model}, // somebody must have seen to the food
	{Acknowledged, Rearm, always, Unacknowledged, Model},
	{Acknowledged, Shelve, always, Shelved, person},
	{Acknowledged, Suppress, always, Suppressed, Design},
	{Acknowledged, TakeOut, always, OutOfService, Operator | Admin},

	{ReturnedUnacked, Acknowledge, always, Normal, person},
	{ReturnedUnacked, Recur, always, Unacknowledged, Model},
	{ReturnedUnacked, Shelve, always, Shelved, person},
	{ReturnedUnacked, TakeOut, always, OutOfService, Operator | Admin},

	{Shelved, Return, always, Shelved, Model},
	{Shelved, Recur, always, Shelved, Model},
	{Shelved, Shelve, always, Shelved, person}, // another end
	{Shelved, Unshelve, active, Unacknowledged, person | Clock},
	{Shelved, Unshelve, gone, Normal, person | Clock},
	{Shelved, Unshelve, latched, ReturnedUnacked, person | Clock},
	{Shelved, TakeOut, always, OutOfService, Operator | Admin},

	{Suppressed, Return, always, Suppressed, Model},
	{Suppressed, Recur, always, Suppressed, Model},
	{Suppressed, Unsuppress, active, Unacknowledged, Design},
	{Suppressed, Unsuppress, gone, Normal, Design},
	{Suppressed, Unsuppress, latched, ReturnedUnacked, Design},
	{Suppressed, TakeOut, always, OutOfService, Operator | Admin},

	{OutOfService, Return, always, OutOfService, Model},
	{OutOfService, Recur, always, OutOfService, Model},
	{OutOfService, PutBack, active, Unacknowledged, Operator | Admin},
	{OutOfService, PutBack, gone, Normal, Operator | Admin},
	{OutOfService, PutBack, latched, ReturnedUnacked, Operator | Admin},
}

// Possible lists what somebody in the role may do to an alert in this state.
func Possible(s State, isActive bool, by Role) []Verb {
	var out []Verb
	for _, m := range moves {
		if m.From == s && m.By.Has(by) && m.When.holds(isActive, false) {
			out = append(out, m.Verb)
		}
	}
	return out
}

func (c condition) holds(isActive, isLatched bool) bool {
	switch c {
	case active:
		return isActive
	case gone:
		return !isActive && !isLatched
	case latched:
		return !isActive && isLatched
	}
	return true
}

// Actor is who makes a move.
type Actor struct {
	Role Role
	Name string // account, or what the program did it for
}

// Order is a move somebody wants made.
type Order struct {
	Verb   Verb
	By     Actor
	At     collector.Millis
	Reason string           // shelving, suppressing and taking out of service need one
	Until  collector.Millis // shelving needs an end
}

// Step is a move that was made, for the audit.
type Step struct {
	Alert    string
	Seq      int
	At       collector.Millis
	Verb     Verb
	From, To State
	By       Actor
	Reason   string
	Until    collector.Millis
}

// MaxShelve is how long an alert may be put aside at most: longer is a machine
// out of service, or a limit that is wrong.
const MaxShelve = 7 * 24 * time.Hour

// IllegalMove says what was asked of an alert, and what would be possible.
type IllegalMove struct {
	Alert    string
	State    State
	Verb     Verb
	By       Actor
	Because  string // "" when the table has no such move
	Possible []Verb
}

func (e *IllegalMove) Error() string {
	why := e.Because
	if why == "" {
		why = "it is " + e.State.String()
	}
	can := "nothing"
	if len(e.Possible) > 0 {
		names := make([]string, len(e.Possible))
		for i, v := range e.Possible {
			names[i] = v.String()
		}
		can = strings.Join(names, ", ")
	}
	return fmt.Sprintf("alert %s: cannot %s as %s: %s; possible: %s", e.Alert, e.Verb, e.By.Role, why, can)
}

// Do makes the move if the table has it, and returns the step for the audit. The
// alert is unchanged when it returns an error, which is an *[IllegalMove].
func (a *Alert) Do(o Order) (Step, error) {
	refuse := func(because string) (Step, error) {
		return Step{}, &IllegalMove{a.ID, a.State, o.Verb, o.By, because, Possible(a.State, a.Active, o.By.Role)}
	}
	i := slices.IndexFunc(moves, func(m legal) bool {
		// A return is what makes the trouble gone.
		return m.From == a.State && m.Verb == o.Verb && m.By.Has(o.By.Role) && m.When.holds(a.Active && o.Verb != Return, a.Latched)
	})
	if i < 0 {
		return refuse("")
	}
	switch o.Verb {
	case Shelve, TakeOut, Suppress:
		if strings.TrimSpace(o.Reason) == "" {
			return refuse("a reason is needed")
		}
		if o.Verb == Shelve && o.Until <= o.At {
			return refuse("an end in the future is needed")
		}
		if o.Verb == Shelve && o.Until.Sub(o.At) > MaxShelve {
			return refuse(fmt.Sprintf("at most %.0f days", MaxShelve.Hours()/24))
		}
	}
	s := Step{Alert: a.ID, Seq: a.Seq + 1, At: o.At, Verb: o.Verb, From: a.State, To: moves[i].To, By: o.By, Reason: o.Reason, Until: o.Until}
	a.Seq++
	if a.State != s.To {
		a.State, a.MovedAt = s.To, o.At
	}
	if o.Verb == Recur && s.From == Normal {
		a.OpenedAt = o.At
	}
	a.after(o)
	return s, nil
}

// after keeps the fields that go with a move.
func (a *Alert) after(o Order) {
	switch o.Verb {
	case Raise:
		a.OpenedAt, a.Peak = o.At, a.Priority
	case Acknowledge:
		a.AcknowledgedBy, a.AcknowledgedAt = o.By.Name, o.At
	case Return:
		a.Active, a.WatchedUntil = false, 0
	case Recur:
		a.Active, a.Peak = true, a.Priority
		a.Recurrences++
		a.AcknowledgedBy, a.AcknowledgedAt, a.WatchedUntil = "", 0, 0
	case Rearm:
		a.Peak = a.Priority
		a.AcknowledgedBy, a.AcknowledgedAt, a.WatchedUntil = "", 0, 0
	case Shelve:
		a.ShelvedUntil, a.Reason = o.Until, o.Reason
	case Suppress, TakeOut:
		a.ShelvedUntil, a.Reason = 0, o.Reason
	case Unshelve, Unsuppress, PutBack:
		a.ShelvedUntil, a.Reason = 0, ""
	}
}
