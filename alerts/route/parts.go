package route

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

//go:embed parts.yaml
var defaultParts []byte

// Parts is the table of what to load, by fault and kind of machine.
type Parts struct {
	always entry
	faults [fault.Num]entry
}

type entry struct {
	Service string           `yaml:"service"`
	Licence string           `yaml:"licence"`
	Parts   []string         `yaml:"parts"`
	Tools   []string         `yaml:"tools"`
	Kinds   map[string]extra `yaml:"kinds"`

	service time.Duration
	needs   Skills
	kinds   [fleet.NumKinds]extra
}

type extra struct {
	Parts []string `yaml:"parts"`
	Tools []string `yaml:"tools"`
}

var licences = map[string]Skills{"": 0, "refrigeration-mechanic": RefrigerationMechanic, "electrician": Electrician}

// ParseParts reads a table; name is for messages. Every problem is reported at
// once; a syntax error with its line.
func ParseParts(name string, text []byte) (*Parts, error) {
	var file struct {
		Always extra             `yaml:"always"`
		Faults map[string]*entry `yaml:"faults"`
	}
	if err := yaml.UnmarshalWithOptions(text, &file, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	p := &Parts{always: entry{Parts: file.Always.Parts, Tools: file.Always.Tools}}
	var errs []error
	words := make([]string, 0, len(file.Faults))
	for word := range file.Faults {
		words = append(words, word)
	}
	slices.Sort(words)
	for _, word := range words {
		bad := func(key string, err error) {
			errs = append(errs, fmt.Errorf("%s: faults.%s%s: %w", name, word, key, err))
		}
		var f fault.Fault
		if err := f.UnmarshalText([]byte(word)); err != nil {
			bad("", err)
			continue
		}
		e := file.Faults[word]
		if e == nil {
			continue
		}
		if e.Service != "" {
			d, err := time.ParseDuration(e.Service)
			if err != nil || d <= 0 {
				bad(".service", fmt.Errorf("%q is no time above 0; write it like 45m or 1h30m", e.Service))
			}
			e.service = d
		}
		needs, ok := licences[e.Licence]
		if !ok {
			bad(".licence", fmt.Errorf("%q is neither refrigeration-mechanic nor electrician", e.Licence))
		}
		e.needs = needs
		for kind, x := range e.Kinds {
			k, err := fleet.ParseKind(kind)
			if err != nil {
				bad(".kinds", err)
				continue
			}
			e.kinds[k] = x
		}
		p.faults[f] = *e
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return p, nil
}

// DefaultParts returns the table that comes with coilward.
var DefaultParts = sync.OnceValue(func() *Parts {
	p, err := ParseParts("parts.yaml", defaultParts)
	if err != nil {
		panic(err)
	}
	return p
})

// Item is a part and how many.
type Item struct {
	Name  string
	Count int
}

// Load is what to put into the van.
type Load struct {
	Parts []Item // beyond what is in the van already, by name
	Tools []string
	Check []Item // in the van according to its list: worth a look
}

// Load returns what the jobs call for: parts for each of them, tools once,
// less the parts that are in the van.
func (p *Parts) Load(jobs []Job, van map[string]int) Load {
	var load Load
	if len(jobs) == 0 {
		return load
	}
	wanted, tools := map[string]int{}, map[string]bool{}
	add := func(parts, used []string) {
		for _, x := range parts {
			wanted[x]++
		}
		for _, x := range used {
			tools[x] = true
		}
	}
	add(p.always.Parts, p.always.Tools)
	for _, j := range jobs {
		e := &p.faults[j.Fault]
		add(e.Parts, e.Tools)
		add(e.kinds[j.Kind].Parts, e.kinds[j.Kind].Tools)
	}
	for name, n := range wanted {
		aboard := min(n, max(0, van[name]))
		if n > aboard {
			load.Parts = append(load.Parts, Item{name, n - aboard})
		}
		if aboard > 0 {
			load.Check = append(load.Check, Item{name, aboard})
		}
	}
	for t := range tools {
		load.Tools = append(load.Tools, t)
	}
	byName := func(a, b Item) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	}
	slices.SortFunc(load.Parts, byName)
	slices.SortFunc(load.Check, byName)
	slices.Sort(load.Tools)
	return load
}

// Service returns the usual time of work at a stop: the jobs one after
// another; 30 min where the table does not say (common practice, no source).
func (p *Parts) Service(jobs []Job) time.Duration {
	var sum time.Duration
	for _, j := range jobs {
		if d := p.faults[j.Fault].service; d > 0 {
			sum += d
		} else {
			sum += 30 * time.Minute
		}
	}
	return sum
}

// needs returns no licence for work that anyone can begin. The licence of a
// likely fault is required only where every job at the stop requires it and
// is likely (at least one in two): a first look separates the candidates, and
// a tech may make it.
func (p *Parts) needs(s *Stop) Skills {
	var all Skills
	for i, j := range s.Jobs {
		need := p.faults[j.Fault].needs
		if j.Probability < 0.5 {
			need = 0
		}
		if i == 0 {
			all = need
		} else {
			all &= need
		}
	}
	return all
}

// Needs returns the licence that the repair of a fault takes.
func (p *Parts) Needs(f fault.Fault) Skills { return p.faults[f].needs }
