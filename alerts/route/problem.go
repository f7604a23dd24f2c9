package route

import (
	"errors"
	"fmt"
	"math"
	"time"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Point is a place on Earth in degrees, WGS 84.
type Point struct{ Latitude, Longitude float64 }

// Window is a stretch of opening hours: work at the stop begins and ends
// within it.
type Window struct{ Open, Close time.Time }

// Skills is a set of what a tech may do.
type Skills uint8

// Skills that restrict who may go.
const (
	RefrigerationMechanic Skills = 1 << iota // licensed to open a refrigerant circuit
	Electrician                              // licensed for the site's supply
)

// Loss is product that spoils while nobody comes: between Early and Late the
// probability that it has left its limit grows evenly from 0 to 1.
type Loss struct {
	Value       float64 // money, what the product is worth
	Probability float64 // that it leaves its limit if nobody acts, 0..1
	Early, Late time.Time
	PerHour     float64 // money lost an hour whatever the product does (no sales)
}

// At returns the expected loss in money when help comes at t, counted from
// now.
func (l Loss) At(now, t time.Time) float64 {
	return l.compile(now).at(t.Sub(now).Seconds())
}

// Job is one machine to be seen at a stop.
type Job struct {
	Machine     string
	Kind        fleet.Kind
	Fault       fault.Fault
	Probability float64 // of the fault
	Loss        Loss
	Refrigerant string // as in the fleet file, for the cautions; "" unknown
	TCS         bool   // holds food under time and temperature control
	Alert       string // that asked for it; "" unknown
	More        int    // further machines with the same cause, such as a site without power
}

// Stop is a site to be visited once.
type Stop struct {
	ID, Name string
	Place    Point
	Location *time.Location // for the tech's message; nil: UTC
	Jobs     []Job
	Service  time.Duration // work there; 0: from the parts table
	Windows  []Window      // empty: always open; in order of time
	Needs    Skills
	Load     float64 // room taken in the van, in the unit of Tech.Capacity

	// Optional work is added only where it is on the way: at most MaxDetour
	// more driving, no overtime, and no product loss elsewhere.
	Optional  bool
	MaxDetour time.Duration
}

// LatestUseful returns the time from which product is expected to be lost: the
// earliest early bound of the stop's jobs. ok is false where none is in danger.
func (s *Stop) LatestUseful() (at time.Time, ok bool) {
	for _, j := range s.Jobs {
		if j.Loss.Value*j.Loss.Probability > 0 && (!ok || j.Loss.Early.Before(at)) {
			at, ok = j.Loss.Early, true
		}
	}
	return at, ok
}

// Tech is somebody on duty.
type Tech struct {
	ID, Name    string
	Start, End  Point     // where the tech is now, and where the shift ends
	From, Until time.Time // the shift; From no earlier than now counts
	MaxOvertime time.Duration
	Skills      Skills
	Capacity    float64        // room in the van; 0: unlimited
	Van         map[string]int // parts already aboard
	DrivingTo   string         // stop ID that stays first; "" none
	OpenEnd     bool           // the tech need not go to End
}

// Costs turn time and distance into money.
type Costs struct {
	PerHour         float64 `yaml:"per_hour"` // of driving
	PerKilometre    float64 `yaml:"per_kilometre"`
	OvertimePerHour float64 `yaml:"overtime_per_hour"`
}

// DefaultCosts are a van and a tech; set your own (common practice, no
// source).
var DefaultCosts = Costs{PerHour: 45, PerKilometre: 0.6, OvertimePerHour: 30}

// Problem is what is to be planned.
type Problem struct {
	Now    time.Time
	Stops  []Stop
	Techs  []Tech
	Costs  Costs
	Travel Travel // nil: GreatCircle{}
	Parts  *Parts // nil: DefaultParts()
}

// Options bound the search. The same seed and iterations give the same plan.
type Options struct {
	Iterations int // of the neighbourhood search; 0: by size, 800 for 200 stops
	Seed       uint64
	// Exact is up to how many stops one tech's route is solved exactly; 0: 8.
	// Negative: never.
	Exact int
}

// ErrProblem is wrapped by every error about the problem's data.
var ErrProblem = errors.New("route problem")

// validate reports everything that is wrong at once.
func (p *Problem) validate() error {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: %s", ErrProblem, fmt.Sprintf(format, args...)))
	}
	place := func(what string, at Point) {
		if !(math.Abs(at.Latitude) <= 90 && math.Abs(at.Longitude) <= 180) {
			bad("%s: place %v is not on Earth; give latitude −90..90 and longitude −180..180", what, at)
		}
	}
	stops := map[string]bool{}
	for i := range p.Stops {
		s := &p.Stops[i]
		what := fmt.Sprintf("stop %q", s.ID)
		if stops[s.ID] || s.ID == "" {
			bad("%s: every stop needs an ID of its own", what)
		}
		stops[s.ID] = true
		place(what, s.Place)
		if s.Service < 0 || !(s.Load >= 0) {
			bad("%s: service time and load must not be negative", what)
		}
		for _, w := range s.Windows {
			if !w.Close.After(w.Open) {
				bad("%s: opening hours end at %s, before they begin", what, w.Close.Format(time.RFC3339))
			}
		}
		for _, j := range s.Jobs {
			if !(j.Loss.Value >= 0 && j.Loss.Probability >= 0 && j.Loss.Probability <= 1 && j.Loss.PerHour >= 0) || math.IsInf(j.Loss.Value, 0) || math.IsInf(j.Loss.PerHour, 0) {
				bad("%s, machine %q: value and hourly loss must not be negative, probability must be 0..1", what, j.Machine)
			}
		}
	}
	techs, driven := map[string]bool{}, map[string]bool{}
	for i := range p.Techs {
		t := &p.Techs[i]
		what := fmt.Sprintf("tech %q", t.ID)
		if techs[t.ID] || t.ID == "" {
			bad("%s: every tech needs an ID of its own", what)
		}
		techs[t.ID] = true
		place(what, t.Start)
		if !t.OpenEnd {
			place(what, t.End)
		}
		if !t.Until.After(t.From) {
			bad("%s: the shift ends before it begins", what)
		}
		if d := t.DrivingTo; d != "" {
			if !stops[d] {
				bad("%s: drives to %q, which is not a stop of the problem", what, d)
			}
			if driven[d] {
				bad("%s: another tech drives to %q too", what, d)
			}
			driven[d] = true
		}
	}
	c := p.Costs
	if !(c.PerHour >= 0 && c.PerKilometre >= 0 && c.OvertimePerHour >= 0) {
		bad("costs must not be negative: %+v", c)
	}
	return errors.Join(errs...)
}
