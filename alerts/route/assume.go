package route

import "time"

// Leg is the next drive of a tech as they were told it. It stands in for a report
// while they report nothing: a tech who was sent is taken to have set out. It is
// kept as JSON.
type Leg struct {
	Shift  time.Time `json:"shift"` // its beginning
	Stop   string    `json:"stop"`
	Name   string    `json:"name"`
	Place  Point     `json:"place"`
	From   Point     `json:"from"`
	Leave  time.Time `json:"leave"`           // as planned
	Arrive time.Time `json:"arrive"`          // as planned
	Asked  time.Time `json:"asked,omitzero"`  // for a word; zero: not yet
	Missed bool      `json:"missed,omitzero"` // not counted on any more
}

// Silence is what a tech's silence is taken for.
type Silence uint8

// Silences, in their order (common practice of dispatchers, no source).
const (
	NotDue   Silence = iota // it is not time to set out, or it just was
	OnTheWay                // taken to be driving as planned
	Overdue                 // should be there, and is asked
	Unheard                 // not counted on: the stop is free for others
)

const (
	assumeAfter = 5 * time.Minute  // past the planned departure
	askAfter    = 10 * time.Minute // past the planned arrival
	unheardLag  = 30 * time.Minute // before a tech nobody hears of can be anywhere new
)

// CountedOnFor is how long past the planned arrival a tech who reports nothing is
// still counted on.
const CountedOnFor = 45 * time.Minute

// Silence says what is taken for granted at now of a tech who has reported nothing
// of the leg.
func (l Leg) Silence(now time.Time) Silence {
	switch {
	case l.Stop == "":
		return NotDue
	case l.Missed || now.Sub(l.Arrive) >= CountedOnFor:
		return Unheard
	case now.Sub(l.Arrive) >= askAfter:
		return Overdue
	case now.Sub(l.Leave) >= assumeAfter:
		return OnTheWay
	}
	return NotDue
}

// NextLeg is the leg after a plan at now: the tech's first visit. One that was due
// keeps its times as they were told, or a plan made anew each few minutes would
// put off the departure for ever. Whoever has reported where they are has none.
func NextLeg(was Leg, r *Route, told Standing, shift, now time.Time) Leg {
	if told.Shift.Equal(shift) && told.Stop != "" || len(r.Visits) == 0 {
		return Leg{}
	}
	v := &r.Visits[0]
	same := was.Shift.Equal(shift) && was.Stop == v.Stop.ID && !(told.Shift.Equal(shift) && told.Since.After(was.Leave))
	if same && !now.Before(was.Leave) {
		was.Missed = was.Missed || was.Silence(now) == Unheard
		return was
	}
	leg := Leg{Shift: shift, Stop: v.Stop.ID, Name: v.Stop.Name, Place: v.Stop.Place, From: r.Tech.Start, Leave: v.Arrive.Add(-v.Drive), Arrive: v.Arrive}
	// Nobody heard of them on the last leg, so they are not taken to drive this one.
	leg.Missed = was.Missed && was.Shift.Equal(shift) && !told.Since.After(was.Leave)
	return leg
}

// place puts a tech who reports nothing where the leg says.
func (l *Leg) place(t *Tech, now time.Time) {
	switch l.Silence(now) {
	case OnTheWay, Overdue:
		t.DrivingTo = l.Stop
		t.Start = between(l.From, l.Place, now.Sub(l.Leave).Seconds()/max(1, l.Arrive.Sub(l.Leave).Seconds()))
		if now.Before(t.From) {
			t.From = now
		}
	case Unheard:
		t.From = later(t.From, now.Add(unheardLag))
	}
}

// between is the point at a share of the way, 0..1.
func between(a, b Point, share float64) Point {
	share = min(1, max(0, share))
	return Point{a.Latitude + share*(b.Latitude-a.Latitude), a.Longitude + share*(b.Longitude-a.Longitude)}
}
