package main

import (
	"context"
	"fmt"
	"time"

	"coilward/collector/simulate"
	"coilward/detect/fault"
)

// simulateCommand is the command line of simulate.
type simulateCommand struct {
	Out      string    `required:"" placeholder:"DIR" type:"path" help:"Folder to write fleet.yaml, messages.ndjson.gz and truth.json into."`
	Machines int       `default:"40" placeholder:"N" help:"How many machines."`
	Days     int       `default:"7" placeholder:"N" help:"How many days."`
	Seed     uint64    `default:"1" placeholder:"N" help:"The same number gives the same fleet."`
	Start    time.Time `default:"2026-07-01T00:00:00Z" placeholder:"TIME" help:"When it begins."`
	Interval float64   `placeholder:"SECONDS" help:"Between two readings of a machine, 10 to 300; drawn if left out."`
	Faults   float64   `default:"0.5" placeholder:"SHARE" help:"Share of machines that get a fault, 0 to 1."`
	Only     string    `placeholder:"FAULT" help:"Only this fault, such as coil-iced."`
}

// Help is the longer text.
func (simulateCommand) Help() string {
	return `Writes what an invented fleet would have sent, with what was truly wrong with it, to try the models on.

Example:
  coilward simulate --out fleet --machines 20 --days 3
  coilward replay --fleet fleet/fleet.yaml fleet/messages.ndjson.gz`
}

func (c *simulateCommand) run(_ context.Context, s *streams) int {
	o := simulate.DefaultOptions()
	o.Machines, o.Days, o.Seed, o.Start, o.Interval, o.FaultShare, o.Name = c.Machines, c.Days, c.Seed, c.Start, c.Interval, c.Faults, "simulated"
	if c.Only != "" {
		var f fault.Fault
		if err := f.UnmarshalText([]byte(c.Only)); err != nil {
			fmt.Fprintf(s.err, "coilward simulate: %v\n", err)
			return statusUsage
		}
		o.Only = f
	}
	if err := o.Validate(); err != nil {
		fmt.Fprintf(s.err, "coilward simulate: %v\n", err)
		return statusUsage
	}
	if err := simulate.WriteFleet(c.Out, o); err != nil {
		fmt.Fprintf(s.err, "coilward simulate: %v\n", err)
		return statusFailed
	}
	return statusOK
}
