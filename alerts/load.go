package alerts

import (
	"slices"
	"time"
)

// Load is how much one person was asked for over a time, held against the figures
// of ISA-18.2 and EEMUA 191 (from memory) and against the on-call practice of at
// most two incidents a shift of 12 h (published site reliability practice).
type Load struct {
	From, To   time.Time
	Messages   int
	PerTenMin  float64                // mean
	Busiest    int                    // most in any 10 min
	Floods     int                    // times with more than 10 in 10 min, each until under 5
	InFlood    float64                // share of the time, 0..1
	Shift      int                    // most in any 12 h
	Incidents  int                    // most different alerts in any 12 h: what ShiftMost is about
	ByPriority [NumPriorities]float64 // shares, 0..1
}

// The figures a load is held against.
const (
	LoadWindow     = 10 * time.Minute
	LoadAcceptable = 1  // messages a window and person
	LoadManageable = 2  // likewise
	FloodBegins    = 10 // more than this in a window is a flood
	FloodEnds      = 5  // fewer than this ends it
	ShiftLength    = 12 * time.Hour
	ShiftMost      = 2              // incidents that wake or interrupt
	StaleAfter     = 24 * time.Hour // an alert that stands longer is stale
	StaleMost      = 5              // fewer than this on a day
)

// Told is one message to one person.
type Told struct {
	At       time.Time
	Alert    string // what it asks to act on; "" for one that only informs
	Priority Priority
}

// MeasureLoad counts what one person was told between from and to. told need not
// be in order.
func MeasureLoad(told []Told, from, to time.Time) Load {
	l := Load{From: from, To: to}
	var at []time.Time
	var within []Told
	for _, m := range told {
		if !m.At.Before(from) && m.At.Before(to) {
			at, within = append(at, m.At), append(within, m)
			l.ByPriority[m.Priority]++
		}
	}
	l.Messages = len(at)
	if l.Messages == 0 {
		return l
	}
	for p := range l.ByPriority {
		l.ByPriority[p] /= float64(l.Messages)
	}
	slices.SortFunc(at, time.Time.Compare)
	l.PerTenMin = float64(l.Messages) / (float64(to.Sub(from)) / float64(LoadWindow))
	l.Busiest, l.Shift = busiest(at, LoadWindow), busiest(at, ShiftLength)
	l.Incidents = incidents(within)
	f := Flood{}
	var began time.Time
	for i, t := range at {
		was := f.On
		if f.Add(t); f.On && !was {
			l.Floods++
			began = t
		}
		end := to
		if i+1 < len(at) {
			end = at[i+1]
		}
		// The flood can end between two messages, as the window empties.
		if f.On {
			if over := f.EndsAt(); over.Before(end) {
				l.InFlood += float64(over.Sub(began))
				f.On = false
			}
		}
	}
	if f.On {
		l.InFlood += float64(to.Sub(began))
	}
	l.InFlood /= float64(to.Sub(from))
	return l
}

// busiest is the most messages in any half-open window.
func busiest(at []time.Time, w time.Duration) int {
	most, i := 0, 0
	for j := range at {
		for at[j].Sub(at[i]) >= w {
			i++
		}
		most = max(most, j-i+1)
	}
	return most
}

// incidents is the most different alerts in any shift. What belongs to no alert asks
// for nothing.
func incidents(told []Told) int {
	slices.SortFunc(told, func(a, b Told) int { return a.At.Compare(b.At) })
	most, first := 0, 0
	n := map[string]int{}
	for _, m := range told {
		if m.Alert == "" {
			continue
		}
		n[m.Alert]++
		for ; m.At.Sub(told[first].At) >= ShiftLength; first++ {
			if was := told[first].Alert; was != "" {
				if n[was]--; n[was] == 0 {
					delete(n, was)
				}
			}
		}
		most = max(most, len(n))
	}
	return most
}

// Flood tells when messages to one person come faster than anybody can read: from
// the message that makes more than 10 in 10 min until fewer than 5 are left in
// the window. The zero value is ready.
type Flood struct {
	On     bool
	recent []time.Time // within the window
}

// Add takes a message at t, not before the last one.
func (f *Flood) Add(t time.Time) {
	f.Pass(t)
	f.recent = append(f.recent, t)
	if len(f.recent) > FloodBegins {
		f.On = true
	}
}

// Pass lets time go by.
func (f *Flood) Pass(t time.Time) {
	f.recent = slices.DeleteFunc(f.recent, func(x time.Time) bool { return t.Sub(x) >= LoadWindow })
	if len(f.recent) < FloodEnds {
		f.On = false
	}
}

// EndsAt is when the flood ends if nothing more comes.
func (f *Flood) EndsAt() time.Time {
	i := len(f.recent) - FloodEnds
	if i < 0 {
		return time.Time{}
	}
	return f.recent[i].Add(LoadWindow)
}

// Recent returns how many messages are in the window.
func (f *Flood) Recent() int { return len(f.recent) }

// Stale lists the alerts that have stood longer than a day at the time.
func Stale(open []Alert, at time.Time) []string {
	var out []string
	for _, a := range open {
		if a.State != Shelved && a.State != Suppressed && a.State != OutOfService && at.Sub(a.OpenedAt.Time()) > StaleAfter {
			out = append(out, a.ID)
		}
	}
	return out
}
