package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"coilward/detect/diagnose"
	"coilward/detect/learn"
)

// learnCommand is the command line of learn.
type learnCommand struct {
	Out       string           `required:"" placeholder:"FILE" type:"path" help:"Where the table is written."`
	Reference []weightedFolder `sep:"none" placeholder:"DIR[=WEIGHT]" help:"A fleet that the table is to be right about before all: each of its faults counts twice one of the others by default, more looks are taken at each machine, and the table learns from its copies too, with fewer channels, coarser steps and longer intervals. May be given more than once."`
	Life      float64          `default:"8" placeholder:"TIMES" help:"How much the hours of a reference fleet without a fault count besides, as times its number of faults: there are thousands of them, and a few dozen faults."`
	Holdout   bool             `help:"Leave every second machine of the reference fleets out, and try the table on them."`
	Looks     float64          `default:"1" placeholder:"SHARE" help:"Share of the usual number of looks at a machine; less takes less time and memory."`
	Seed      uint64           `placeholder:"N" default:"1" help:"Of what is drawn by lot. The same seed and fleets give the same table."`
	Fits      int              `placeholder:"N" help:"How many fits the table is the mean of; 1 if not given."`
	Units     int              `placeholder:"N" help:"In how many ways features speak together in each fit; 96 if not given, and below 0 each speaks for itself alone."`
	Steps     int              `placeholder:"N" help:"Steps of each fit, of 256 examples; 12000 if not given."`
	Decay     float64          `placeholder:"STRENGTH" help:"How strongly weights are drawn to nothing; 0.3 if not given."`
	Date      string           `placeholder:"DATE" help:"Written into the table's version."`
	Folders   []weightedFolder `arg:"" optional:"" sep:"none" name:"folder" help:"Labelled fleets: folders with fleet.yaml, messages.ndjson.gz and truth.json, as simulate writes them; with =WEIGHT, each of its faults counts that many times."`
}

// Help is the longer text.
func (learnCommand) Help() string {
	return `A fleet counts its number of faults times its weight. How well the learned table and the one in use name single looks is told at the end.

Example:
  coilward simulate --out a --machines 200 --days 9 --seed 1 --faults 1
  coilward simulate --out b --machines 100 --days 14 --seed 2
  coilward learn --out table.json --reference b --holdout a=1.5`
}

func (c *learnCommand) run(ctx context.Context, s *streams) int {
	if err := c.learn(ctx, s); err != nil {
		fmt.Fprintf(s.err, "coilward learn: %v\n", err)
		return statusFailed
	}
	return statusOK
}

func (c *learnCommand) learn(ctx context.Context, s *streams) error {
	if len(c.Reference)+len(c.Folders) == 0 {
		return errors.New("no fleet to learn from: name folders that simulate has written")
	}
	if c.Looks <= 0 {
		return fmt.Errorf("--looks is %g: give a share above 0", c.Looks)
	}
	if c.Holdout && len(c.Reference) == 0 {
		return errors.New("--holdout leaves out machines of a reference fleet: name one with --reference")
	}
	options := learn.Options{Seed: c.Seed, Fits: c.Fits, Units: c.Units, Steps: c.Steps, Decay: c.Decay}.Filled()
	if err := options.Check(); err != nil { // before minutes are spent on reading fleets
		return err
	}
	start := time.Now()
	var lesson lesson
	for i, f := range append(append([]weightedFolder(nil), c.Reference...), c.Folders...) {
		if err := lesson.add(ctx, c, f, i < len(c.Reference), s, start); err != nil {
			return err
		}
	}
	options.Progress = func(fit, step int, loss float64) {
		say(s.err, "fit %d of %d, step %d: %.4f nats an example after %.0f s", fit+1, options.Fits, step, loss, time.Since(start).Seconds())
	}
	m, err := learn.Fit(lesson.fleets, options)
	if err != nil {
		return err
	}
	data, err := m.Table(c.version(&options, lesson.told))
	if err != nil {
		return err
	}
	if err := writeWhole(c.Out, data); err != nil {
		return err
	}
	table, err := diagnose.ParseTable(data)
	if err != nil {
		return err
	}
	tables := []namedTable{{"in use", diagnose.Learned()}, {"learned", table}}
	return lesson.report(s.out, tables)
}

// version says what the table was learned from, and how to learn it again.
func (c *learnCommand) version(o *learn.Options, fleets []string) string {
	var b strings.Builder
	b.WriteString("learned ")
	if c.Date != "" {
		fmt.Fprintf(&b, "%s ", c.Date)
	}
	fmt.Fprintf(&b, "with seed %d", c.Seed)
	fmt.Fprintf(&b, ", the mean of %d fits of %d units in %d steps", o.Fits, max(o.Units, 0), o.Steps)
	if c.Life > 0 && len(c.Reference) > 0 {
		fmt.Fprintf(&b, ", ordinary life × %g", c.Life)
	}
	if c.Looks != 1 {
		fmt.Fprintf(&b, ", %g of the looks", c.Looks)
	}
	fmt.Fprintf(&b, " from %s", strings.Join(fleets, ", "))
	return b.String()
}

// lesson is what a table is learned from and tried on.
type lesson struct {
	fleets []learn.Fleet
	held   []learn.Fleet // of machines that are left out
	told   []string      // the fleets, for the version
}

// add reads a folder and takes examples from it.
func (l *lesson) add(ctx context.Context, c *learnCommand, f weightedFolder, reference bool, s *streams, start time.Time) error {
	from, err := readLabelled(ctx, f.dir, s)
	if err != nil {
		return err
	}
	print, err := fingerprint(f.dir)
	if err != nil {
		return err
	}
	say(s.err, "%s: %d readings of %d machines read after %.0f s", from.name, len(from.order), len(from.said), time.Since(start).Seconds())
	plan := samplePlan{seed: c.Seed, looks: c.Looks, weight: f.weightOr(otherWeight), others: true}
	kind := "weight"
	if reference {
		plan.weight, plan.others, plan.copies = f.weightOr(referenceWeight), false, learn.Copies()
		plan.holdout = c.Holdout
		kind = "reference, weight"
		if c.Holdout {
			kind = "reference, half held out, weight"
		}
	}
	fleets, held, err := from.examples(ctx, plan)
	if err != nil {
		return err
	}
	if reference && c.Life > 0 {
		for i := range fleets {
			share := fleets[i].Weight / plan.weight // of the fleet itself, that is 1, or of a copy
			fleets = append(fleets, fleets[i].Calm(c.Life*share*float64(fleets[i].Episodes())))
		}
	}
	l.fleets, l.held = append(l.fleets, fleets...), append(l.held, held...)
	for i := range fleets {
		say(s.err, "%s: %d examples of %d faults, weight %.4g, after %.0f s", fleets[i].Name, len(fleets[i].Examples), fleets[i].Episodes(), fleets[i].Total(), time.Since(start).Seconds())
	}
	l.told = append(l.told, fmt.Sprintf("%s (%d machines, %d days, seed %d, %s %g, %s)",
		from.truth.Set, len(from.truth.Machines), from.truth.Days, from.truth.Seed, kind, plan.weight, print))
	return nil
}

type namedTable struct {
	name  string
	table *diagnose.Table
}

// report tries each table on what was learned from, and on what was held out.
func (l *lesson) report(w io.Writer, tables []namedTable) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "looks at\ttable\tlooks\tright\tfaults named\talarmed in vain\tnats")
	try := func(of string, fleets []learn.Fleet) {
		for _, by := range tables {
			a := learn.Measure(by.table, fleets)
			fmt.Fprintf(t, "%s\t%s\t%d\t%.1f %%\t%.1f %%\t%.2f %%\t%.4f\n", of, by.name, a.Looks, 100*a.Right, 100*a.Named, 100*a.Alarmed, a.Loss)
		}
	}
	try("learned from", l.fleets)
	if len(l.held) > 0 {
		try("held out", l.held)
	}
	for i := range l.held {
		try("held out of "+l.held[i].Name, l.held[i:i+1])
	}
	return t.Flush()
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
