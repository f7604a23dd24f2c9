package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"coilward/alerts/notify"
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
		if conf != nil {
			if _, missing := os.Stat(conf.FleetFile); name == "" && (err == nil || missing == nil) {
				name = conf.FleetFile
			}
			if err == nil {
				data = conf.DataDir
			}
			err = errors.Join(err, conf.checkFiles(c.Config))
		}
		if err != nil {
			problem(err)
		} else {
			fmt.Fprintf(s.out, "%s: good\n", c.Config)
		}
	}
	if name != "" {
		if text, err := os.ReadFile(name); err != nil {
			problem(fmt.Errorf("the fleet file cannot be read: %w; write one, as in fleet.example.yaml, or name another with fleet_file or --fleet", err))
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

// checkFiles tries what the configuration names besides the fleet file.
func (c *config) checkFiles(name string) error {
	people, err := c.Notify.people()
	if err == nil {
		var texts *notify.Templates
		if texts, err = c.Notify.texts(people); err == nil {
			err = named(name, checkLanguages(&c.Route, texts))
		}
	}
	_, senders := c.Notify.senders(nil)
	_, _, route := c.routeFiles()
	return errors.Join(err, named(name, senders), route)
}
