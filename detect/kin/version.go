package kin

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"sort"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// Summary is the well state of one machine, for others of its kind to begin
// with.
type Summary struct {
	Machine string
	Kind    fleet.Kind
	Hours   float64          // of well life behind it
	Levels  map[string]Level // by the quantity's name
}

// Kind is what is known of a kind.
type Kind struct {
	Machines int                `json:"machines"` // well ones that it was learned from
	Hours    float64            `json:"hours"`    // of their well life
	Levels   map[string]Spread  `json:"levels,omitempty"`
	Shares   map[string]float64 `json:"shares,omitempty"` // of the faults; none: the built-in ones
	Found    map[string]int     `json:"found,omitempty"`  // visits behind them, by what was found
	Outside  float64            `json:"outside"`          // share of levels beyond two standard deviations of what the other machines say; normal: 0.05
}

// Version is what was known of all kinds from one moment on.
type Version struct {
	Number  int              `json:"version"`
	From    collector.Millis `json:"from_ms"` // pipeline time from which machines begin with it
	Program string           `json:"program"` // that learned it
	Kinds   map[string]*Kind `json:"kinds"`   // by the kind's name
}

// Evidence is what a version is learned from.
type Evidence struct {
	Machines []Summary
	Found    [fleet.NumKinds]Found
	Built    *[fault.Num]float64 // built-in shares of the faults
}

// Learn makes a version; it is nil where there is nothing to learn. The order of
// the machines does not matter.
func Learn(e Evidence) *Version {
	v := &Version{Kinds: map[string]*Kind{}}
	for k := range fleet.NumKinds {
		var of []Summary
		for _, m := range e.Machines {
			if int(m.Kind) == k {
				of = append(of, m)
			}
		}
		sort.Slice(of, func(i, j int) bool { return of[i].Machine < of[j].Machine })
		kind := new(Kind)
		if len(of) >= Least {
			kind.learn(of)
		}
		kind.count(&e.Found[k], e.Built)
		if len(kind.Levels) > 0 || kind.Shares != nil {
			v.Kinds[fleet.Kind(k).String()] = kind
		}
	}
	if len(v.Kinds) == 0 {
		return nil
	}
	return v
}

func (k *Kind) learn(of []Summary) {
	k.Machines = len(of)
	by := map[string][]Level{}
	for i := range of {
		k.Hours += of[i].Hours
		for name, l := range of[i].Levels {
			by[name] = append(by[name], l)
		}
	}
	k.Hours = math.Round(k.Hours)
	k.Levels = map[string]Spread{}
	outside, all := 0, 0
	for name, levels := range by {
		s, ok := SpreadOf(levels)
		if !ok {
			continue
		}
		for i := range levels {
			if off, ok := offOthers(levels, i); ok {
				all++
				if off > 2 {
					outside++
				}
			}
		}
		k.Levels[name] = s.rounded()
	}
	if all > 0 {
		k.Outside = math.Round(1000*float64(outside)/float64(all)) / 1000
	}
}

// offOthers returns by how many standard deviations machine i lies off what the
// other machines say of their kind.
func offOthers(levels []Level, i int) (float64, bool) {
	others := make([]Level, 0, len(levels)-1)
	others = append(append(others, levels[:i]...), levels[i+1:]...)
	s, ok := SpreadOf(others)
	if !ok {
		return 0, false
	}
	return math.Abs(levels[i].Mean-s.Centre) / math.Sqrt(square(s.Prior())+square(levels[i].Error)+1e-12), true
}

// rounded keeps what can matter: a stored version is read by people.
func (s Spread) rounded() Spread {
	for _, x := range []*float64{&s.Centre, &s.Between, &s.Within, &s.Error} {
		*x = math.Round(*x*1e5) / 1e5
	}
	return s
}

func (k *Kind) count(n *Found, built *[fault.Num]float64) {
	if built == nil || n.Faults(built) == 0 {
		return
	}
	k.Found, k.Shares = map[string]int{}, map[string]float64{}
	for f, c := range n {
		if c > 0 {
			k.Found[fault.Fault(f).String()] = c
		}
	}
	for f, s := range n.Shares(built, ShareWeight) {
		if s > 0 {
			k.Shares[fault.Fault(f).String()] = math.Round(s*1e5) / 1e5
		}
	}
}

// SharesOf returns the shares of the faults; ok is false where the built-in ones
// hold.
func (k *Kind) SharesOf() (out [fault.Num]float64, ok bool) {
	sum := 0.0
	for name, s := range k.Shares {
		var f fault.Fault
		if f.UnmarshalText([]byte(name)) == nil && f != fault.Well && s > 0 {
			out[f] = s
			sum += s
		}
	}
	if sum <= 0 {
		return out, false
	}
	for f := range out {
		out[f] /= sum
	}
	return out, true
}

// Parse reads a version as it is stored.
func Parse(b []byte) (*Version, error) {
	var v Version
	if err := json.Unmarshal(b, &v); err != nil {
		return nil, fmt.Errorf("what is known of kinds: %w", err)
	}
	for name, k := range v.Kinds {
		if k == nil {
			return nil, fmt.Errorf("what is known of kinds: nothing is known of %s", name)
		}
		for what, s := range k.Levels {
			if s.Machines < Least || s.Between < 0 || s.Within < 0 || s.Error < 0 {
				return nil, fmt.Errorf("what is known of kinds: %s, %s: %w", name, what, errSpread)
			}
		}
	}
	return &v, nil
}

var errSpread = errors.New("a spread needs five machines and no deviation below 0; export the version again")
