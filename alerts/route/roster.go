package route

import (
	"errors"
	"fmt"
	"math"
	"time"

	"coilward/collector/fleet"
)

// Roster is who can be sent, and what a drive costs: a section of the
// configuration. No techs: no routes are planned.
type Roster struct {
	Techs       []Member      `yaml:"techs"`
	Costs       *Costs        `yaml:"costs"`        // nil: DefaultCosts
	MaxOvertime time.Duration `yaml:"max_overtime"` // after the shift
	MaxDetour   time.Duration `yaml:"max_detour"`   // more driving for work that can wait; 0: 15 min
	PartsFile   string        `yaml:"parts_file"`   // "": the table that comes with coilward
}

// Member is a tech as the roster knows them.
type Member struct {
	ID         string            `yaml:"id"` // also the person in the people file, for how to reach them
	Name       string            `yaml:"name"`
	Start      Coordinates       `yaml:"start"` // where the shift begins
	End        *Coordinates      `yaml:"end"`   // where it ends; nil: at the start
	TimeZone   string            `yaml:"time_zone"`
	Shift      map[string]string `yaml:"shift"` // "mon-fri": "06:00-14:30"
	Skills     []string          `yaml:"skills"`
	Van        map[string]int    `yaml:"van"` // parts aboard
	Contacts   []Reach           `yaml:"contacts"`
	Fahrenheit bool              `yaml:"fahrenheit"` // °F and miles in messages
	Language   string            `yaml:"language"`   // of messages and of their stops' pages; "": that of the person with the same ID, or en

	hours    *fleet.Hours
	location *time.Location
	skills   Skills
}

// Coordinates are degrees, WGS 84.
type Coordinates struct {
	Latitude  float64 `yaml:"latitude"`
	Longitude float64 `yaml:"longitude"`
}

// Reach is a way to reach a tech.
type Reach struct {
	Channel string `yaml:"channel"`
	To      string `yaml:"to"`
}

// Validate reports everything that is wrong, and reads what is right. Call it
// before the roster is used.
func (r *Roster) Validate() error {
	var errs []error
	known := map[string]bool{}
	for i := range r.Techs {
		m := &r.Techs[i]
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("route: tech %q: %s", m.ID, fmt.Sprintf(format, args...)))
		}
		if m.ID == "" || known[m.ID] {
			bad("every tech needs an id of their own")
		}
		known[m.ID] = true
		if m.Name == "" {
			m.Name = m.ID
		}
		m.check(bad)
	}
	if r.MaxOvertime < 0 || r.MaxDetour < 0 {
		errs = append(errs, errors.New("route: max_overtime and max_detour must not be negative"))
	}
	if c := r.Costs; c != nil && !(c.PerHour >= 0 && c.PerKilometre >= 0 && c.OvertimePerHour >= 0) {
		errs = append(errs, errors.New("route: costs must not be negative"))
	}
	return errors.Join(errs...)
}

func (m *Member) check(bad func(string, ...any)) {
	for _, c := range []*Coordinates{&m.Start, m.End} {
		if c != nil && (!(math.Abs(c.Latitude) <= 90 && math.Abs(c.Longitude) <= 180) || *c == Coordinates{}) {
			bad("start and end need latitude -90..90 and longitude -180..180, in degrees")
		}
	}
	var err error
	if m.location, err = time.LoadLocation(m.TimeZone); err != nil || m.TimeZone == "" {
		bad("time_zone %q is not known; write one like America/New_York", m.TimeZone)
	}
	if m.hours, err = fleet.ParseHours(m.Shift); err != nil {
		bad("shift: %v", err)
	} else if len(m.Shift) == 0 {
		bad("shift is missing; write it like {mon-fri: 06:00-14:30}")
	}
	m.skills = 0
	for _, s := range m.Skills {
		skill, ok := licences[s]
		if !ok || s == "" {
			bad("skill %q is neither refrigeration-mechanic nor electrician", s)
		}
		m.skills |= skill
	}
	for part, n := range m.Van {
		if n < 0 {
			bad("van: %d × %s cannot be", n, part)
		}
	}
	for _, c := range m.Contacts {
		if c.Channel == "" || c.To == "" {
			bad("a contact needs channel and to")
		}
	}
}

// Location is the zone of the tech's clock.
func (m *Member) Location() *time.Location {
	if m.location == nil {
		return time.UTC
	}
	return m.location
}

// Duty returns the shift that is on at now, or else the next within a day.
func (m *Member) Duty(now time.Time) (Window, bool) {
	for _, w := range Windows(m.hours, now, now.Add(24*time.Hour), m.Location()) {
		if w.Close.After(now) {
			return w, true
		}
	}
	return Window{}, false
}

// LinkUntil is how long links to the stops of the shift at now work: half a day
// past its end. ok is false for a tech off duty.
func (m *Member) LinkUntil(now time.Time) (until time.Time, ok bool) {
	duty, ok := m.Duty(now)
	return duty.Close.Add(12 * time.Hour), ok
}

// Home is where the shift begins.
func (m *Member) Home() Point { return Point(m.Start) }

// tech is the member on duty, before anything is reported.
func (m *Member) tech(w Window, overtime time.Duration) Tech {
	end := m.Home()
	if m.End != nil {
		end = Point(*m.End)
	}
	return Tech{ID: m.ID, Name: m.Name, Start: m.Home(), End: end, From: w.Open, Until: w.Close,
		MaxOvertime: overtime, Skills: m.skills, Van: m.Van}
}

// Windows writes opening hours as stretches of time that end after from and
// begin before to, joined where they touch. nil hours: always, so none.
func Windows(h *fleet.Hours, from, to time.Time, zone *time.Location) []Window {
	if h == nil {
		return nil
	}
	var out []Window
	local := from.In(zone)
	y, m, d := local.Date()
	for day := -1; ; day++ {
		midnight := time.Date(y, m, d+day, 0, 0, 0, 0, zone)
		if midnight.After(to) {
			return out
		}
		for _, s := range h[midnight.Weekday()] {
			w := Window{time.Date(y, m, d+day, 0, s.From, 0, 0, zone), time.Date(y, m, d+day, 0, s.To, 0, 0, zone)}
			switch {
			case !w.Close.After(from) || !w.Open.Before(to) || !w.Close.After(w.Open):
			case len(out) > 0 && !w.Open.After(out[len(out)-1].Close):
				if w.Close.After(out[len(out)-1].Close) {
					out[len(out)-1].Close = w.Close
				}
			default:
				out = append(out, w)
			}
		}
	}
}
