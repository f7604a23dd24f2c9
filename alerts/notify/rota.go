package notify

import (
	"fmt"
	"slices"
	"time"
)

// Date is a day in the rota's time zone, "2026-07-04".
type Date string

func dateOf(t time.Time) Date { return Date(t.Format(time.DateOnly)) }

// Rota says who is on call. People take turns by the week; the week changes at
// Handover, by the clock on the wall of the time zone, so that a change to or from
// summer time moves nothing.
type Rota struct {
	Name     string   `json:"name"`
	Sites    []string `json:"sites,omitempty"` // empty: every site no other rota has
	TimeZone string   `json:"time_zone"`
	Start    Date     `json:"start"`            // day of the first hand-over
	Handover Clock    `json:"handover"`         // time of day
	People   []string `json:"people"`           // in turn, a week each
	Backup   []string `json:"backup,omitempty"` // who is asked after them, in order

	// Overrides come first, the later in the list before the earlier; then holidays.
	Overrides []Override      `json:"overrides,omitempty"`
	Holidays  map[Date]string `json:"holidays,omitempty"` // day from hand-over to hand-over → person
}

// Override puts a person on call from From to To, To excluded.
type Override struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Person string    `json:"person"`
	Why    string    `json:"why,omitempty"`
}

// Clock is a time of day, in minutes after midnight by the clock on the wall.
type Clock int

// MarshalText writes "07:30".
func (c Clock) MarshalText() ([]byte, error) { return fmt.Appendf(nil, "%02d:%02d", c/60, c%60), nil }

// UnmarshalText reads "07:30".
func (c *Clock) UnmarshalText(b []byte) error {
	t, err := time.Parse("15:04", string(b))
	if err != nil {
		return fmt.Errorf("time of day %q: write it as 07:30", b)
	}
	*c = Clock(t.Hour()*60 + t.Minute())
	return nil
}

func clockOf(t time.Time) Clock { return Clock(t.Hour()*60 + t.Minute()) }

// on returns the time of day c on the day of t, in t's zone.
func (c Clock) on(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), int(c)/60, int(c)%60, 0, 0, t.Location())
}

// Chain returns who is asked at the time, in order, each once. The first is on
// call.
func (r *Rota) Chain(at time.Time) []string {
	var out []string
	add := func(p string) {
		if p != "" && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	for _, o := range slices.Backward(r.Overrides) {
		if !at.Before(o.From) && at.Before(o.To) {
			add(o.Person)
			break
		}
	}
	day, week := r.shift(at)
	add(r.Holidays[day])
	if n := len(r.People); n > 0 {
		add(r.People[week%n])
	}
	for _, p := range r.Backup {
		add(p)
	}
	for i := range r.People {
		add(r.People[(week+1+i)%len(r.People)])
	}
	return out
}

// shift returns the day whose hand-over was last, and the number of the week since
// Start, 0 before it.
func (r *Rota) shift(at time.Time) (Date, int) {
	loc, err := time.LoadLocation(r.TimeZone)
	if err != nil {
		loc = time.UTC // Validate refuses it
	}
	local := at.In(loc)
	if clockOf(local) < r.Handover {
		local = time.Date(local.Year(), local.Month(), local.Day()-1, 12, 0, 0, 0, loc)
	}
	day := dateOf(local)
	// Days are counted in UTC, where each has 24 h.
	a, _ := time.Parse(time.DateOnly, string(r.Start))
	b, _ := time.Parse(time.DateOnly, string(day))
	return day, max(0, int(b.Sub(a)/(24*time.Hour))) / 7
}

// Reason is why somebody is on call.
type Reason string

// Reasons, the stronger first.
const (
	ByOverride Reason = "override"
	ByHoliday  Reason = "holiday"
	ByTurn     Reason = "turn"
)

// Why says why the first of the chain is on call; the override, if it is by one.
func (r *Rota) Why(at time.Time) (Reason, *Override) {
	for i := range slices.Backward(r.Overrides) {
		if o := &r.Overrides[i]; !at.Before(o.From) && at.Before(o.To) {
			return ByOverride, o
		}
	}
	if day, _ := r.shift(at); r.Holidays[day] != "" {
		return ByHoliday, nil
	}
	return ByTurn, nil
}

// Next is when somebody else is on call, and who; ok is false where that is not so
// within the time.
func (r *Rota) Next(at time.Time, within time.Duration) (when time.Time, who string, ok bool) {
	now := r.Chain(at)
	if len(now) == 0 {
		return when, "", false
	}
	loc, err := time.LoadLocation(r.TimeZone)
	if err != nil {
		loc = time.UTC // Validate refuses it
	}
	var edges []time.Time
	for _, o := range r.Overrides {
		edges = append(edges, o.From, o.To)
	}
	local := at.In(loc)
	for d := range int(within/(24*time.Hour)) + 2 {
		edges = append(edges, r.Handover.on(time.Date(local.Year(), local.Month(), local.Day()+d, 0, 0, 0, 0, loc)))
	}
	slices.SortFunc(edges, time.Time.Compare)
	for _, e := range edges {
		if !e.After(at) || e.Sub(at) > within {
			continue
		}
		if c := r.Chain(e); c[0] != now[0] {
			return e, c[0], true
		}
	}
	return when, "", false
}
