package main

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"os"
	"slices"
	"strconv"
	"time"

	"golang.org/x/sync/errgroup"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/assess"
	"coilward/detect/diagnose"
	"coilward/detect/truth"
)

// assessCommand is the command line of assess.
type assessCommand struct {
	Table    string   `placeholder:"FILE" type:"path" help:"Table of causes to use, as learn writes it; the program's own if not given."`
	Kinds    string   `placeholder:"FILE" type:"path" help:"What is known of kinds, as kinds export and kinds learn write it; nothing if not given."`
	Trade    bool     `help:"Also with findings raised at other probabilities: delay against false alarms."`
	Disturb  bool     `help:"Also with worse telemetry: more noise, missing channels, longer intervals, coarser steps. Takes many times as long."`
	Seed     uint64   `default:"1" help:"Of the noise that is added."`
	Findings string   `placeholder:"FILE" type:"path" help:"Also write what was said, as replay prints it."`
	Folders  []string `arg:"" name:"folder" help:"Labelled fleets: folders with fleet.yaml, messages.ndjson.gz and truth.json, as simulate writes them."`
}

// way is one way to run the models over a fleet.
type way struct {
	name    string
	library *detect.Library
	disturb *assess.Disturbance
	cases   []assess.Case
}

func (c *assessCommand) run(ctx context.Context, s *streams) int {
	if err := c.assess(ctx, s); err != nil {
		fmt.Fprintf(s.err, "coilward assess: %v\n", err)
		return statusFailed
	}
	return statusOK
}

func (c *assessCommand) assess(ctx context.Context, s *streams) error {
	start := time.Now()
	library, err := c.library()
	if err != nil {
		return err
	}
	plain := &way{name: "as recorded", library: library}
	var thresholds, disturbed []*way
	if c.Trade {
		thresholds = raiseWays(library)
	}
	if c.Disturb {
		for _, d := range disturbances() {
			disturbed = append(disturbed, &way{name: d.Name, library: plain.library, disturb: d})
		}
	}
	all := slices.Concat([]*way{plain}, thresholds, disturbed)
	var reports []alerts.Report
	for _, dir := range c.Folders {
		l, err := readLabelled(ctx, dir, s)
		if err != nil {
			return err
		}
		say(s.err, "%s: %d readings of %d machines read after %.0f s", l.name, len(l.order), len(l.said), time.Since(start).Seconds())
		noise, err := l.noise(ctx)
		if err != nil {
			return err
		}
		for _, w := range all {
			said, err := l.replay(ctx, w, noise, c.Seed)
			if err != nil {
				return err
			}
			w.cases = append(w.cases, assess.Case{Truth: l.truth, Words: words(l.truth, said)})
			if w == plain {
				reports = append(reports, said...)
			}
			say(s.err, "%s, %s: %d reports after %.0f s", l.name, w.name, len(said), time.Since(start).Seconds())
		}
	}
	if c.Findings != "" {
		if err := writeReports(c.Findings, reports); err != nil {
			return err
		}
	}
	for _, of := range plain.cases {
		fmt.Fprintf(s.out, "%s: %d machines, %d days\n", of.Truth.Set, len(of.Truth.Machines), of.Truth.Days)
	}
	fmt.Fprintln(s.out)
	if err := assess.Of(plain.cases...).Write(s.out); err != nil {
		return err
	}
	for _, t := range []struct {
		heading string
		ways    []*way
	}{{"Raised at a probability of", thresholds}, {"Worse telemetry", disturbed}} {
		if len(t.ways) == 0 {
			continue
		}
		names, figures := []string{fmt.Sprintf("as recorded, at %g", library.RaiseAt)}, []*assess.Figures{assess.Of(plain.cases...)}
		for _, w := range t.ways {
			names, figures = append(names, w.name), append(figures, assess.Of(w.cases...))
		}
		fmt.Fprintln(s.out)
		if err := assess.WriteComparison(s.out, t.heading, names, figures); err != nil {
			return err
		}
	}
	return nil
}

// library is the program's own, with the table that was asked for.
func (c *assessCommand) library() (*detect.Library, error) {
	l := detect.NewLibrary()
	if c.Kinds != "" {
		kinds, err := readKinds(c.Kinds)
		if err != nil {
			return nil, err
		}
		l = knowing(kinds)
	}
	if c.Table == "" {
		return l, nil
	}
	b, err := os.ReadFile(c.Table)
	if err != nil {
		return nil, err
	}
	t, err := diagnose.ParseTable(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Table, err)
	}
	return l.WithTable(t), nil
}

// raiseWays are the models told to speak at other probabilities.
func raiseWays(l *detect.Library) []*way {
	var ways []*way
	for _, p := range []float64{0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.997} {
		other := *l
		other.RaiseAt = p
		ways = append(ways, &way{name: strconv.FormatFloat(p, 'g', -1, 64), library: &other})
	}
	return ways
}

// disturbances are the ways telemetry is made worse.
func disturbances() []*assess.Disturbance {
	var d []*assess.Disturbance
	for _, c := range []collector.Channel{collector.CabinetAir, collector.CoilOut, collector.Condenser, collector.Ambient, collector.CompressorCurrent} {
		d = append(d, &assess.Disturbance{Name: "3 dB more noise on " + c.String(), Noise: []collector.Channel{c}})
	}
	for _, c := range []collector.Channel{collector.CoilOut, collector.Condenser, collector.Ambient, collector.CompressorCurrent, collector.CompressorCall,
		collector.Door, collector.EvapFanCurrent} {
		d = append(d, &assess.Disturbance{Name: "without " + c.String(), Remove: []collector.Channel{c}})
	}
	for _, s := range []float64{120, 300} {
		d = append(d, &assess.Disturbance{Name: fmt.Sprintf("no more often than every %.0f s", s), Interval: s})
	}
	return append(d, &assess.Disturbance{Name: "temperatures in steps of 0.5 K", Quantum: 0.5})
}

// noise finds the noise of every machine's channels.
func (l *labelled) noise(ctx context.Context) ([][collector.NumChannels]float64, error) {
	sd := make([][collector.NumChannels]float64, len(l.said))
	err := l.eachMachine(ctx, func(i int, _ *truth.Machine, spec *fleet.Machine) {
		var m assess.NoiseMeter
		l.said[i].inOrder(spec, m.Take)
		sd[i] = m.Noise()
	})
	return sd, err
}

// replay runs the fleet through the pipeline in one way.
func (l *labelled) replay(ctx context.Context, w *way, noise [][collector.NumChannels]float64, seed uint64) ([]alerts.Report, error) {
	var out []alerts.Report
	pipe := newPipeline(pipelineOptions{
		Fleet: l.fleet, Library: w.library,
		Said: deskOf(alerts.New(alerts.Options{Fleet: l.fleet}), func(c *alerts.Change) error {
			if c.Kind == alerts.Reported && c.Report != nil {
				out = append(out, *c.Report)
			}
			return nil
		}),
	})
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return pipe.models.Run(ctx) })
	g.Go(func() error {
		defer pipe.models.Close()
		return l.feed(ctx, pipe, w, noise, seed)
	})
	err := g.Wait()
	return out, err
}

// feedAtOnce is how many readings are given to the models between flushes.
const feedAtOnce = 4096

// feed gives the models all that was admitted, in the order of arrival.
func (l *labelled) feed(ctx context.Context, pipe *pipeline, w *way, noise [][collector.NumChannels]float64, seed uint64) error {
	cursors := make([]cursor, len(l.said))
	readings := make([]collector.Reading, len(l.said))
	change := make([]func(*collector.Reading) bool, len(l.said))
	for i := range l.said {
		m := &l.truth.Machines[i]
		cursors[i] = l.said[i].begin()
		readings[i].Machine, readings[i].Site = m.Machine, m.Site
		change[i] = func(*collector.Reading) bool { return true }
		if w.disturb != nil {
			h := fnv.New64a()
			h.Write([]byte(m.Machine))
			change[i] = assess.NewDisturber(w.disturb, &noise[i], seed^h.Sum64()).Change
		}
	}
	for _, i := range l.order {
		r := &readings[i]
		if !cursors[i].next(r) || !change[i](r) {
			continue
		}
		pipe.models.Feed(0, r)
		if pipe.models.Waiting() >= feedAtOnce {
			if err := pipe.models.Flush(ctx); err != nil {
				return err
			}
		}
	}
	pipe.models.End()
	return pipe.models.Flush(ctx)
}

// words are reports as the assessment takes them.
func words(t *truth.Fleet, reports []alerts.Report) []assess.Word {
	out := make([]assess.Word, len(reports))
	for i, r := range reports {
		out[i] = assess.Word{
			Finding: r.Finding, Machine: r.Machine, Change: r.Change, At: t.Seconds(r.At),
			Fault: r.Fault, Probability: r.Probability, Candidates: r.Candidates,
			Urgent: r.Priority >= alerts.Medium, HasLimit: r.LimitAt != 0, Limit: t.Seconds(r.LimitAt),
		}
	}
	return out
}

func writeReports(name string, reports []alerts.Report) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	e := json.NewEncoder(f)
	for i := range reports {
		if err := e.Encode(reports[i]); err != nil {
			f.Close()
			return err
		}
	}
	return f.Close()
}
