package main

import (
	"context"
	"fmt"
	"os"

	"coilward/collector/fleet"
)

// checkCommand is the command line of check.
type checkCommand struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration file; its fleet file is checked too."`
	Fleet  string `placeholder:"FILE" type:"path" help:"Fleet file, in place of the one the configuration names."`
}

// Help is the longer text.
func (checkCommand) Help() string {
	return `Reads the files as run would, tells every problem with its line, and changes nothing. The exit status is 0 when all is well, 1 when something is wrong.

Example:
  coilward check --config coilward.yaml
  coilward check --fleet fleet.yaml`
}

func (c *checkCommand) run(ctx context.Context, s *streams) int {
	if c.Config == "" && c.Fleet == "" {
		fmt.Fprintln(s.err, "coilward check: name a file with --config or --fleet")
		return statusUsage
	}
	status := statusOK
	problem := func(err error) {
		status = statusFailed
		fmt.Fprintln(s.err, err)
	}
	name, data := c.Fleet, ""
	if c.Config != "" {
		conf, err := readConfig(c.Config)
		if err != nil {
			problem(err)
		} else {
			fmt.Fprintf(s.out, "%s: good\n", c.Config)
			if people, err := conf.Notify.people(); err != nil {
				problem(err)
			} else if texts, err := conf.Notify.texts(people); err != nil {
				problem(err)
			} else if err := checkLanguages(&conf.Route, texts); err != nil {
				problem(named(c.Config, err))
			}
			if _, err := conf.Notify.senders(nil); err != nil {
				problem(named(c.Config, err))
			}
			if _, _, err := conf.routeFiles(); err != nil {
				problem(err)
			}
			if name == "" {
				name = conf.FleetFile
			}
			data = conf.DataDir
		}
	}
	if name != "" {
		if text, err := os.ReadFile(name); err != nil {
			problem(fmt.Errorf("the fleet file cannot be read: %w", err))
		} else if f, err := fleet.Parse(name, text); err != nil {
			problem(err)
		} else {
			fmt.Fprintf(s.out, "%s: good, %d %s with %d %s\n", name,
				len(f.Sites), plural(len(f.Sites), "site"), f.Len(), plural(f.Len(), "machine"))
			if data != "" {
				if err := checkSettings(ctx, s.out, data, f); err != nil {
					problem(err)
				}
			}
		}
	}
	return status
}
