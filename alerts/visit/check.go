package visit

import (
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/goccy/go-yaml"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

//go:embed checks.yaml
var checksFile []byte

// Check is something to look at or try at a machine.
type Check struct {
	ID      string
	Title   string        // a question
	Do      []string      // how, in order
	Minutes int           // it takes, about
	Timer   time.Duration // to wait for the answer; 0: none
	Unplug  bool          // the machine is unplugged for it
	Trained bool          // works on mains: only for who is trained for it
	Answers []Answer

	not [fleet.NumKinds]bool
}

// Answer is one thing a check can show.
type Answer struct {
	ID   string
	Text string
	Then string // what to do about it; "" nothing
	// Likelihood of the answer given each cause; over the answers of a check
	// they sum to 1 for each.
	Likelihood [fault.Num]float64
}

// Answer finds an answer; −1 for none.
func (c *Check) Answer(id string) int {
	return slices.IndexFunc(c.Answers, func(a Answer) bool { return a.ID == id })
}

// Suits reports whether the check makes sense at a kind of machine.
func (c *Check) Suits(k fleet.Kind) bool { return int(k) >= len(c.not) || !c.not[k] }

// Checks are those that come with coilward, in the order of the file.
var Checks = sync.OnceValue(func() []Check {
	c, err := ParseChecks("checks.yaml", checksFile)
	if err != nil {
		panic(err)
	}
	return c
})

// Find returns a check by its ID, nil for none.
func Find(id string) *Check {
	all := Checks()
	for i := range all {
		if all[i].ID == id {
			return &all[i]
		}
	}
	return nil
}

// ParseChecks reads checks; name is for messages. Every problem is reported at
// once.
func ParseChecks(name string, text []byte) ([]Check, error) {
	var file struct {
		Checks []struct {
			ID      string        `yaml:"id"`
			Title   string        `yaml:"title"`
			Minutes int           `yaml:"minutes"`
			Timer   time.Duration `yaml:"timer"`
			Unplug  bool          `yaml:"unplug"`
			Trained bool          `yaml:"trained"`
			Not     []string      `yaml:"not"`
			Do      []string      `yaml:"do"`
			Answers []struct {
				ID   string             `yaml:"id"`
				Text string             `yaml:"text"`
				Then string             `yaml:"then"`
				Rest float64            `yaml:"rest"`
				Like map[string]float64 `yaml:"like"`
			} `yaml:"answers"`
		} `yaml:"checks"`
	}
	if err := yaml.UnmarshalWithOptions(text, &file, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	var out []Check
	var errs []error
	for _, f := range file.Checks {
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("%s: check %q: %s", name, f.ID, fmt.Sprintf(format, args...)))
		}
		c := Check{ID: f.ID, Title: f.Title, Do: f.Do, Minutes: f.Minutes, Timer: f.Timer, Unplug: f.Unplug, Trained: f.Trained}
		if c.ID == "" || slices.ContainsFunc(out, func(o Check) bool { return o.ID == c.ID }) {
			bad("every check needs an id of its own")
		}
		if c.Minutes <= 0 || len(f.Answers) < 2 || c.Title == "" {
			bad("needs a title, minutes above 0 and at least two answers")
		}
		for _, word := range f.Not {
			k, err := fleet.ParseKind(word)
			if err != nil {
				bad("not: %v", err)
				continue
			}
			c.not[k] = true
		}
		var sum [fault.Num]float64
		for _, a := range f.Answers {
			x := Answer{ID: a.ID, Text: a.Text, Then: a.Then}
			for i := range x.Likelihood {
				x.Likelihood[i] = a.Rest
			}
			for word, weight := range a.Like {
				var which fault.Fault
				if err := which.UnmarshalText([]byte(word)); err != nil {
					bad("answer %q: %v", a.ID, err)
					continue
				}
				x.Likelihood[which] = weight
			}
			for i, l := range x.Likelihood {
				if !(l > 0 && l <= 20) {
					bad("answer %q: a likelihood of %g for %s; write more than 0 and at most 20, nothing is impossible", a.ID, l, fault.Fault(i))
				}
				sum[i] += l
			}
			c.Answers = append(c.Answers, x)
		}
		for i := range c.Answers {
			for j := range sum {
				c.Answers[i].Likelihood[j] /= sum[j]
			}
		}
		out = append(out, c)
	}
	return out, errors.Join(errs...)
}
