package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/feature"
	"coilward/detect/learn"
	"coilward/detect/truth"
)

// Weights of fleets that name none.
const (
	referenceWeight = 2.0
	otherWeight     = 1.0
)

// weightedFolder is a folder with, perhaps, a weight: DIR or DIR=WEIGHT.
type weightedFolder struct {
	dir    string
	weight float64 // 0: none was given
}

// UnmarshalText reads DIR or DIR=WEIGHT.
func (f *weightedFolder) UnmarshalText(b []byte) error {
	*f = weightedFolder{dir: string(b)}
	i := strings.LastIndexByte(f.dir, '=')
	if i < 0 {
		return nil
	}
	w, err := strconv.ParseFloat(f.dir[i+1:], 64)
	if err != nil || !(w > 0) || math.IsInf(w, 0) {
		return fmt.Errorf("%q: after = comes the weight, a number above 0", f.dir)
	}
	f.dir, f.weight = f.dir[:i], w
	return nil
}

func (f *weightedFolder) weightOr(w float64) float64 {
	if f.weight > 0 {
		return f.weight
	}
	return w
}

// fingerprint names what a folder holds.
func fingerprint(dir string) (string, error) {
	h := sha256.New()
	for _, name := range []string{"fleet.yaml", "truth.json", "messages.ndjson.gz"} {
		f, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			return "", err
		}
		_, err = io.Copy(h, f)
		f.Close()
		if err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:6]), nil
}

// samplePlan says what examples are taken from a fleet.
type samplePlan struct {
	seed    uint64
	looks   float64 // share of the usual number
	others  bool    // fewer looks, as at fleets that are no reference
	weight  float64
	copies  []learn.Copy
	holdout bool
}

// options are the bounds of the sample of one machine.
func (p *samplePlan) options() learn.SampleOptions {
	o := learn.SampleOptions{Episode: 150, Ordinary: 120, Well: 120}
	if p.others {
		o = learn.SampleOptions{Episode: 80, Ordinary: 90, Well: 90}
	}
	for _, n := range []*int{&o.Episode, &o.Ordinary, &o.Well} {
		*n = max(int(math.Round(float64(*n)*p.looks)), 1)
	}
	return o
}

// held reports whether machine i is left out of what is learned from.
func (p *samplePlan) held(i int) bool { return p.holdout && i%2 == 1 }

// examples looks at every machine of the fleet, and again at its copies. It
// returns the fleet and its copies, and the same of the machines that are left
// out.
func (l *labelled) examples(ctx context.Context, p samplePlan) (fleets, held []learn.Fleet, err error) {
	fleets = []learn.Fleet{{Name: l.name, Weight: p.weight}}
	for _, c := range p.copies {
		fleets = append(fleets, learn.Fleet{Name: l.name + " " + c.Name, Weight: p.weight * c.Weight})
	}
	library := detect.NewLibrary()
	of := make([][][]learn.Example, len(l.said)) // by machine and by fleet
	err = l.eachMachine(ctx, func(i int, m *truth.Machine, spec *fleet.Machine) {
		of[i] = make([][]learn.Example, len(fleets))
		has := l.said[i].channels()
		of[i][0] = l.look(i, m, spec, library, &learn.Seen{Channels: has}).Sample(p.options(), p.seed+l.truth.Seed)
		for j := range p.copies {
			if seen, ok := p.copies[j].Of(m.Machine, has); ok {
				of[i][1+j] = l.look(i, m, spec, library, &seen).Sample(p.options(), p.seed+l.truth.Seed)
			}
		}
	})
	if p.holdout {
		held = make([]learn.Fleet, len(fleets))
		for j := range fleets {
			held[j].Name, held[j].Weight = fleets[j].Name, fleets[j].Weight
		}
	}
	for i := range of {
		to := fleets
		if p.held(i) {
			to = held
		}
		for j := range of[i] {
			to[j].Add(of[i][j])
		}
	}
	return there(fleets), there(held), err
}

// there leaves out the fleets of which nothing was seen.
func there(fleets []learn.Fleet) (some []learn.Fleet) {
	for _, f := range fleets {
		if len(f.Examples) > 0 {
			some = append(some, f)
		}
	}
	return some
}

// channels returns those that a machine ever said something on.
func (l *machineLog) channels() (has collector.ChannelSet) {
	for i := range l.entries {
		has |= l.entries[i].has
	}
	return has
}

// look looks at one machine, as far as it is seen, every few minutes. It is
// looked at as the models do it, that is, with a well state learned by what they
// believed at the time and not by what was true: a fault that was there before
// the machine was watched, or that grew slowly, is in that state, and what the
// table has to tell apart is what is seen against it.
func (l *labelled) look(i int, m *truth.Machine, spec *fleet.Machine, library *detect.Library, seen *learn.Seen) *learn.Collector {
	look := learn.NewCollector(l.truth, m)
	model := detect.NewMachine(spec, library)
	var v feature.Vector
	var looked collector.Millis
	l.said[i].inOrder(spec, func(r *collector.Reading) {
		if r.Status != collector.NoStatus {
			return
		}
		reduced := *r
		if !seen.See(&reduced) {
			return
		}
		model.Step(&reduced, reduced.At, func(*detect.Finding) {})
		if at := model.LookedAt(); at != looked && at == reduced.At {
			looked = at
			model.Features(&v)
			look.Look(&v, l.truth.Seconds(at))
		}
	})
	return look
}
