package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/feature"
	"coilward/detect/learn"
	"coilward/detect/truth"
)

// learnCommand is the command line of learn.
type learnCommand struct {
	Out        string   `required:"" placeholder:"FILE" type:"path" help:"Where the table is written."`
	Seed       uint64   `default:"1" help:"Of what is drawn by lot. The same seed and fleets give the same table."`
	Iterations int      `default:"60" help:"Most steps of the fit."`
	Ridge      float64  `default:"4e-5" help:"Penalty on the size of the weights."`
	Smooth     float64  `default:"3e-5" help:"Penalty on the bends of the weights between knots."`
	Date       string   `placeholder:"DATE" help:"Written into the table's version; today if not given."`
	Folders    []string `arg:"" name:"folder" help:"Labelled fleets: folders with fleet.yaml, messages.ndjson.gz and truth.json, as simulate writes them."`
}

// lookEvery is how often a machine is looked at, as the models do.
const lookEvery = collector.Millis(4 * 60 * 1000)

func (c *learnCommand) run(ctx context.Context, s *streams) int {
	start := time.Now()
	if c.Date == "" {
		c.Date = start.UTC().Format(time.DateOnly)
	}
	var examples []learn.Example
	var fleets []string
	for _, dir := range c.Folders {
		l, err := readLabelled(ctx, dir, s)
		if err != nil {
			fmt.Fprintf(s.err, "coilward learn: %v\n", err)
			return statusFailed
		}
		say(s.err, "%s: %d readings of %d machines read after %.0f s", l.name, len(l.order), len(l.said), time.Since(start).Seconds())
		more, err := l.examples(ctx, c.Seed)
		if err != nil {
			fmt.Fprintf(s.err, "coilward learn: %v\n", err)
			return statusFailed
		}
		examples = join(examples, more)
		say(s.err, "%s: %d examples after %.0f s", l.name, len(more), time.Since(start).Seconds())
		fleets = append(fleets, fmt.Sprintf("%s (%d machines, %d days, seed %d)", l.truth.Set, len(l.truth.Machines), l.truth.Days, l.truth.Seed))
	}
	m, err := learn.Fit(examples, learn.Options{Seed: c.Seed, Ridge: c.Ridge, Smooth: c.Smooth, Iterations: c.Iterations, Progress: func(i int, loss float64) {
		if i%10 == 0 {
			say(s.err, "step %d: %.4f nats an example after %.0f s", i, loss, time.Since(start).Seconds())
		}
	}})
	if err != nil {
		fmt.Fprintf(s.err, "coilward learn: %v\n", err)
		return statusFailed
	}
	say(s.err, "%d steps, %s: %.4f nats an example", m.Iterations, m.Status, m.Loss)
	table, err := m.Table(fmt.Sprintf("learned %s with seed %d from %s", c.Date, c.Seed, strings.Join(fleets, ", ")))
	if err == nil {
		err = writeWhole(c.Out, table)
	}
	if err != nil {
		fmt.Fprintf(s.err, "coilward learn: %v\n", err)
		return statusFailed
	}
	return statusOK
}

// examples looks at every machine of the fleet and takes a sample.
func (l *labelled) examples(ctx context.Context, seed uint64) ([]learn.Example, error) {
	of := make([][]learn.Example, len(l.said))
	err := l.eachMachine(ctx, func(i int, m *truth.Machine, spec *fleet.Machine) {
		look := learn.NewCollector(l.truth, m)
		track := feature.New(spec)
		var v feature.Vector
		var next collector.Millis
		l.said[i].inOrder(spec, func(r *collector.Reading) {
			if r.Status != collector.NoStatus {
				return
			}
			t := l.truth.Seconds(r.At)
			well := 0.0
			if learn.Well(m, t) {
				well = 1
			}
			track.Observe(r, well)
			if r.At >= next {
				next = r.At + lookEvery
				track.Fill(&v, r.At)
				look.Look(&v, t)
			}
		})
		of[i] = look.Sample(learn.SampleOptions{}, seed+l.truth.Seed)
	})
	var all []learn.Example
	for _, more := range of {
		all = join(all, more)
	}
	return all, err
}

// join appends examples, numbering their episodes on.
func join(to, more []learn.Example) []learn.Example {
	after := int32(-1)
	for i := range to {
		after = max(after, to[i].Group)
	}
	for _, e := range more {
		if e.Group >= 0 {
			e.Group += after + 1
		}
		to = append(to, e)
	}
	return to
}

// writeWhole writes a file so that it is there whole or not at all.
func writeWhole(name string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".coilward-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	if _, err := f.Write(data); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Chmod(f.Name(), 0o644); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}
