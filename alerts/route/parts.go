package route

import (
	_ "embed"
	"errors"
	"fmt"
	"maps"
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

// Row is a row of the table as people write it.
type Row struct {
	Service string           `yaml:"service,omitempty"` // usual time at the machine: "45m"
	Licence string           `yaml:"licence,omitempty"` // who may repair it: "", refrigeration-mechanic or electrician
	Parts   []string         `yaml:"parts,omitempty"`
	Tools   []string         `yaml:"tools,omitempty"`
	Kinds   map[string]Extra `yaml:"kinds,omitempty"` // more for a kind of machine
}

// Extra is what a kind of machine takes besides.
type Extra struct {
	Parts []string `yaml:"parts,omitempty"`
	Tools []string `yaml:"tools,omitempty"`
}

// partsFile is the table as a file has it.
type partsFile struct {
	Always Extra           `yaml:"always"`
	Faults map[string]*Row `yaml:"faults"`
}

type entry struct {
	Row
	service time.Duration
	needs   Skills
	kinds   [fleet.NumKinds]Extra
}

var licences = map[string]Skills{"": 0, "refrigeration-mechanic": RefrigerationMechanic, "electrician": Electrician}

// ParseParts reads a table; name is for messages. Every problem is reported at
// once; a syntax error with its line.
func ParseParts(name string, text []byte) (*Parts, error) {
	var file partsFile
	if err := yaml.UnmarshalWithOptions(text, &file, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	p := &Parts{always: entry{Row: Row{Parts: file.Always.Parts, Tools: file.Always.Tools}}}
	var errs []error
	for _, word := range slices.Sorted(maps.Keys(file.Faults)) {
		var f fault.Fault
		if err := f.UnmarshalText([]byte(word)); err != nil {
			errs = append(errs, fmt.Errorf("%s: faults.%s: %w", name, word, err))
			continue
		}
		if file.Faults[word] == nil {
			continue
		}
		e, problems := readRow(*file.Faults[word])
		for _, err := range problems {
			errs = append(errs, fmt.Errorf("%s: faults.%s.%w", name, word, err))
		}
		p.faults[f] = e
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return p, nil
}

// readRow checks a row; each problem begins with the key it is about.
func readRow(r Row) (e entry, problems []error) {
	bad := func(key, format string, args ...any) {
		problems = append(problems, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, args...)))
	}
	e.Row = r
	if r.Service != "" {
		d, err := time.ParseDuration(r.Service)
		if err != nil || d <= 0 || d > 24*time.Hour {
			bad("service", "%q is no time above 0; write it like 45m or 1h30m", r.Service)
		}
		e.service = d
	}
	var ok bool
	if e.needs, ok = licences[r.Licence]; !ok {
		bad("licence", "%q is neither refrigeration-mechanic nor electrician", r.Licence)
	}
	names := func(key string, list []string) {
		for i, n := range list {
			if n == "" || len(n) > 100 || slices.Contains(list[:i], n) {
				bad(key, "%q: each part or tool needs a name, once, of at most 100 letters", n)
			}
		}
	}
	names("parts", r.Parts)
	names("tools", r.Tools)
	for _, kind := range slices.Sorted(maps.Keys(r.Kinds)) {
		k, err := fleet.ParseKind(kind)
		if err != nil {
			bad("kinds", "%v", err)
			continue
		}
		x := r.Kinds[kind]
		names("kinds."+kind, x.Parts)
		names("kinds."+kind, x.Tools)
		e.kinds[k] = x
	}
	return e, problems
}

// Row is the row of a fault.
func (p *Parts) Row(f fault.Fault) Row { return p.faults[f].Row }

// Always is what every round takes.
func (p *Parts) Always() Extra { return Extra{p.always.Parts, p.always.Tools} }

// With returns the table with another row for a fault.
func (p *Parts) With(f fault.Fault, r Row) (*Parts, error) {
	e, problems := readRow(r)
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	next := *p
	next.faults[f] = e
	return &next, nil
}

// WithAlways returns the table with other things that every round takes.
func (p *Parts) WithAlways(x Extra) (*Parts, error) {
	e, problems := readRow(Row{Parts: x.Parts, Tools: x.Tools})
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	next := *p
	next.always = e
	return &next, nil
}

// JSON is the table as ParseParts reads it.
func (p *Parts) JSON() ([]byte, error) {
	file := partsFile{Always: p.Always(), Faults: map[string]*Row{}}
	for f := range p.faults {
		if r := p.faults[f].Row; r.Service != "" || r.Licence != "" || len(r.Parts)+len(r.Tools)+len(r.Kinds) > 0 {
			file.Faults[fault.Fault(f).String()] = &r
		}
	}
	return yaml.MarshalWithOptions(file, yaml.JSON())
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
