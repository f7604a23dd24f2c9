package visit

import (
	"time"

	"coilward/alerts"
	"coilward/detect/fault"
)

// ProvenAfter is how long a repair must hold: trouble that comes back sooner
// reopens the visit (common practice, no source).
const ProvenAfter = 7 * 24 * time.Hour

// Standing is what the models say of a repair.
type Standing string

// Standings of a repair.
const (
	NoRepair Standing = ""         // nothing was repaired
	Waiting  Standing = "waiting"  // the models have not cleared it yet
	Holding  Standing = "holding"  // cleared, and not back so far
	Proven   Standing = "proven"   // not back within ProvenAfter
	Reopened Standing = "reopened" // back
)

// Held is whether a repair held.
type Held struct {
	Standing Standing
	At       time.Time // it was cleared, or came back; zero: neither
	Alert    string    // by which it came back
}

// Judge says whether the repair of a visit held, from the machine's alerts and
// the moves of each, oldest first.
func Judge(v *Visit, about []alerts.Alert, moves map[string][]alerts.Step, now time.Time) Held {
	o := v.Outcome
	if o == nil || o.Kind != Repaired {
		return Held{}
	}
	end := o.At.Add(ProvenAfter)
	var cleared, back time.Time
	by := ""
	returned := func(at time.Time, alert string) {
		if at.After(o.At) && at.Before(end) && (back.IsZero() || at.Before(back)) {
			back, by = at, alert
		}
	}
	for i := range about {
		a := &about[i]
		if a.ID == v.Alert {
			if !a.Active {
				cleared = o.At // cleared before, or at a time that a move tells
			}
			for _, s := range moves[a.ID] {
				switch at := s.At.Time(); {
				case s.Verb == alerts.Return && at.After(o.At) && (cleared.IsZero() || cleared.Equal(o.At)):
					cleared = at
				case s.Verb == alerts.Recur:
					returned(at, a.ID)
				}
			}
			if !back.IsZero() && cleared.IsZero() {
				cleared = o.At
			}
			continue
		}
		if sameTrouble(a.Fault, o.Fault, v.Said) {
			returned(a.OpenedAt.Time(), a.ID)
		}
	}
	switch {
	case !back.IsZero():
		return Held{Reopened, back, by}
	case cleared.IsZero():
		return Held{Standing: Waiting}
	case !now.Before(end):
		return Held{Proven, cleared, ""}
	}
	return Held{Holding, cleared, ""}
}

// sameTrouble reports whether a later fault is the earlier one come back: the
// same, one that looks like it, or cooling that fails without a name.
func sameTrouble(f fault.Fault, was ...fault.Fault) bool {
	for _, w := range was {
		if f == w || f == fault.Unknown || f.Alike()&(1<<w) != 0 {
			return true
		}
	}
	return false
}
