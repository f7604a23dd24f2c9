package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"coilward/detect"
	"coilward/detect/assess"
	"coilward/detect/sensitivity"
)

// sensitivityCommand is the command line of sensitivity.
type sensitivityCommand struct {
	Out     string   `placeholder:"FILE" type:"path" help:"Where to write it; only shown if left out."`
	Folders []string `arg:"" name:"folder" help:"Labelled fleets: folders with fleet.yaml, messages.ndjson.gz and truth.json, as simulate writes them."`
}

// Help is the longer text.
func (sensitivityCommand) Help() string {
	return `Runs the models over labelled fleets with findings raised at a dozen probabilities, and writes how many false alarms a machine and year each causes and how long after its first effect a fault is noticed. What it writes belongs beside the table of causes that it was measured with: a wanted rate of false alarms is turned into a probability by it.

Example:
  coilward sensitivity --out detect/sensitivity/trade.json fleets/a fleets/b`
}

// thresholds are the probabilities at which it is measured.
var thresholds = []float64{0.5, 0.7, 0.8, 0.87, 0.93, 0.96, 0.98, 0.99, 0.995, 0.998, 0.9993, 0.9999}

func (c *sensitivityCommand) run(ctx context.Context, s *streams) int {
	if err := c.measure(ctx, s); err != nil {
		if ctx.Err() != nil {
			err = errInterrupted
		}
		fmt.Fprintf(s.err, "coilward sensitivity: %v\n", err)
		return statusFailed
	}
	return statusOK
}

func (c *sensitivityCommand) measure(ctx context.Context, s *streams) error {
	start := time.Now()
	library := detect.NewLibrary()
	ways := make([]*way, len(thresholds))
	for i, p := range thresholds {
		other := *library
		other.RaiseAt = p
		ways[i] = &way{library: &other}
	}
	var names []string
	machines := 0
	for _, dir := range c.Folders {
		l, err := readLabelled(ctx, dir, s)
		if err != nil {
			return err
		}
		for i, w := range ways {
			said, err := l.replay(ctx, w, nil, 0)
			if err != nil {
				return err
			}
			w.cases = append(w.cases, assess.Case{Truth: l.truth, Words: words(l.truth, said)})
			say(s.err, "%s at %g: %d reports after %.0f s", l.name, thresholds[i], len(said), time.Since(start).Seconds())
		}
		names = append(names, l.truth.Set)
		machines += len(l.truth.Machines)
	}
	var points []sensitivity.Point
	years := 0.0
	for i, w := range ways {
		f := assess.Of(w.cases...)
		years = f.False.MachineDays / 365.25
		delay, _ := assess.Quantile(f.All.Behind, 0.5)
		points = append(points, sensitivity.Point{RaiseAt: thresholds[i], Counted: f.False.Urgent, Delay: delay, Noticed: float64(f.All.Noticed) / float64(max(1, f.All.Episodes))})
	}
	if years == 0 {
		return fmt.Errorf("no machine in these fleets is ever without a fault: false alarms cannot be counted")
	}
	trade, err := sensitivity.New(library.Fingerprint(), fmt.Sprintf("%s; %d machines", strings.Join(names, ", "), machines), years, points)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%.1f machine-years without a fault, table %s\n\nraised at  false a machine and year  counted  noticed  after the first effect\n", years, trade.Table)
	for _, p := range trade.Points {
		fmt.Fprintf(s.out, "%9g  %25.2f  %7d  %6.0f %%  %.1f h (median)\n", p.RaiseAt, p.FalseAlarms, p.Counted, 100*p.Noticed, p.Delay)
	}
	if c.Out == "" {
		return nil
	}
	b, err := trade.Write()
	if err != nil {
		return err
	}
	return os.WriteFile(c.Out, b, 0o644)
}
