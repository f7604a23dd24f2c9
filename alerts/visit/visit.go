package visit

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// Visit is a tech at one machine about one alert. It is kept as JSON.
type Visit struct {
	ID       string               `json:"id"`
	Machine  string               `json:"machine"`
	Site     string               `json:"site"`
	Alert    string               `json:"alert"` // that led there
	Tech     string               `json:"tech"`  // who is there, by ID
	By       string               `json:"by"`    // by name
	Began    time.Time            `json:"began"`
	Said     fault.Fault          `json:"said"`  // the models' leading cause then
	Prior    []detect.Candidate   `json:"prior"` // the models' candidates then
	Given    []Given              `json:"given,omitempty"`
	Timers   map[string]time.Time `json:"timers,omitempty"`   // by check, when it was started
	Measured *float64             `json:"measured,omitempty"` // °C, in the product; nil: not yet
	Outcome  *Outcome             `json:"outcome,omitempty"`
}

// Given is an answer to a check.
type Given struct {
	Check  string    `json:"check"`
	Answer string    `json:"answer"`
	At     time.Time `json:"at"`
}

// Name is the ID of a tech's visit at a machine about an alert: pressing twice is
// one visit.
func Name(tech, machine, alert string) string { return alert + "/" + machine + "/" + tech }

// Answer notes an answer; the same check answered again replaces it. It returns
// the visit with it and leaves v as it is.
func (v Visit) Answer(check, answer string, at time.Time) (Visit, error) {
	c := Find(check)
	if c == nil || c.Answer(answer) < 0 {
		return v, fmt.Errorf("there is no answer %q to a check %q; open the page again", answer, check)
	}
	if v.Outcome != nil {
		return v, fmt.Errorf("this visit to %s is closed", v.Machine)
	}
	v.Given = slices.DeleteFunc(slices.Clone(v.Given), func(g Given) bool { return g.Check == check })
	v.Given = append(v.Given, Given{check, answer, at})
	return v, nil
}

// Unanswer takes an answer back.
func (v Visit) Unanswer(check string) (Visit, error) {
	if v.Outcome != nil {
		return v, fmt.Errorf("this visit to %s is closed", v.Machine)
	}
	v.Given = slices.DeleteFunc(slices.Clone(v.Given), func(g Given) bool { return g.Check == check })
	return v, nil
}

// Start starts a check's timer; one that runs keeps running.
func (v Visit) Start(check string, at time.Time) (Visit, error) {
	c := Find(check)
	if c == nil || c.Timer == 0 {
		return v, fmt.Errorf("there is no timer for a check %q", check)
	}
	if started, ok := v.Timers[check]; ok && at.Before(started.Add(c.Timer+time.Hour)) {
		return v, nil
	}
	v.Timers = maps.Clone(v.Timers)
	if v.Timers == nil {
		v.Timers = map[string]time.Time{}
	}
	v.Timers[check] = at
	return v, nil
}

// Belief is what is believed with all answers so far.
func (v *Visit) Belief() Belief {
	b := Prior(v.Prior)
	for _, g := range v.Given {
		if c := Find(g.Check); c != nil {
			if i := c.Answer(g.Answer); i >= 0 {
				b = b.After(&c.Answers[i])
			}
		}
	}
	return b
}

const (
	walk   = 2    // minutes to get at anything, so that a short check is no free one
	faint  = 0.03 // bits below which a check is not worth the time
	settle = 0.95 // a leading cause this probable needs no further check
)

// Option is a check and what it is expected to tell.
type Option struct {
	Check *Check
	Bits  float64
	Given string // the answer it has; "" none
}

// Options are the checks that suit the kind of machine, the one that tells most
// in its time first. Those that are answered come last, in their order.
func (v *Visit) Options(k fleet.Kind) []Option {
	b := v.Belief()
	var open, given []Option
	all := Checks()
	for i := range all {
		c := &all[i]
		if !c.Suits(k) {
			continue
		}
		if at := slices.IndexFunc(v.Given, func(g Given) bool { return g.Check == c.ID }); at >= 0 {
			given = append(given, Option{Check: c, Given: v.Given[at].Answer})
			continue
		}
		open = append(open, Option{Check: c, Bits: b.Gain(c)})
	}
	slices.SortStableFunc(open, func(x, y Option) int {
		rate := func(o Option) float64 { return o.Bits / float64(o.Check.Minutes+walk) }
		switch {
		case rate(x) > rate(y):
			return -1
		case rate(x) < rate(y):
			return 1
		}
		return 0
	})
	slices.SortStableFunc(given, func(x, y Option) int {
		at := func(o Option) int {
			return slices.IndexFunc(v.Given, func(g Given) bool { return g.Check == o.Check.ID })
		}
		return at(x) - at(y)
	})
	return append(open, given...)
}

// Next is the check to do next. ok is false when none is worth its time: one
// cause is settled by a check at the machine, or no check tells anything more.
func (v *Visit) Next(k fleet.Kind) (next Option, ok bool) {
	if v.Outcome != nil || len(v.Given) > 0 && v.Belief().Ranked()[0].Probability >= settle {
		return next, false
	}
	options := v.Options(k)
	if len(options) == 0 || options[0].Given != "" || options[0].Bits < faint {
		return next, false
	}
	return options[0], true
}

// Answered is a check and the answer that was given.
type Answered struct {
	Check  *Check
	Answer *Answer
}

// Answered are the checks that were answered, in their order.
func (v *Visit) Answered() []Answered {
	var out []Answered
	for _, g := range v.Given {
		if c := Find(g.Check); c != nil {
			if i := c.Answer(g.Answer); i >= 0 {
				out = append(out, Answered{c, &c.Answers[i]})
			}
		}
	}
	return out
}

// Then is what the answers so far ask to be done, in their order.
func (v *Visit) Then() []string {
	var out []string
	for _, g := range v.Answered() {
		if g.Answer.Then != "" {
			out = append(out, g.Answer.Then)
		}
	}
	return out
}
