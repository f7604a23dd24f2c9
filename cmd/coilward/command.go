package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/alecthomas/kong"

	"coilward/collector/fleet"
)

// command is a subcommand: it does its work and returns the exit status.
type command interface {
	run(ctx context.Context, s *streams) int
}

// commands are the subcommands and their flags.
type commands struct {
	Run         runCommand         `cmd:"" help:"Watch the fleet: the daemon."`
	Demo        demoCommand        `cmd:"" help:"Show everything on an invented fleet, in fast time."`
	Replay      replayCommand      `cmd:"" help:"Run recorded messages through the models and print what they find."`
	Learn       learnCommand       `cmd:"" help:"Learn the table of causes from fleets whose truth is known."`
	Assess      assessCommand      `cmd:"" help:"Say how good the findings about labelled fleets are."`
	Trial       trialCommand       `cmd:"" help:"Show what other settings would have done to the alerts of past days."`
	Settings    settingsCommand    `cmd:"" help:"What is laid over the fleet file: versions, export and import, undo."`
	Kinds       kindsCommand       `cmd:"" help:"What the fleet has taught of its kinds of machine: versions, what is in use, export."`
	Sensitivity sensitivityCommand `cmd:"" help:"Measure what a rate of false alarms costs in delay, on fleets whose truth is known."`
	Backup      backupCommand      `cmd:"" help:"Copy history, alerts and settings into a folder, beside a running daemon too."`
	Restore     restoreCommand     `cmd:"" help:"Make a data folder of a backup, and check it."`
	Verify      verifyCommand      `cmd:"" help:"Check everything that is stored, or a backup."`
	Export      exportCommand      `cmd:"" help:"Write stored readings as CSV or Parquet."`
	Import      importCommand      `cmd:"" help:"Add old readings from CSV files to the history."`
	Check       checkCommand       `cmd:"" help:"Tell every problem of the configuration and fleet files."`
	TryMessage  tryMessageCommand  `cmd:"" help:"Send a test message to one person."`
	AlertLoad   alertLoadCommand   `cmd:"" help:"Hold what people were told, and how the alerts behaved, against the figures of ISA-18.2."`
	Simulate    simulateCommand    `cmd:"" help:"Write the messages of an invented fleet, and what was truly wrong with it."`
	Version     versionCommand     `cmd:"" help:"Print the version."`
}

// exited is what kong's wish to end the process is turned into.
type exited int

// run parses the arguments and runs the command they name.
func run(ctx context.Context, args []string, s *streams) (status int) {
	var c commands
	parser, err := kong.New(&c,
		kong.Name("coilward"),
		kong.Description("Watches refrigerated vending machines and drink coolers: names the failing part, says how long the product has left, tells who must act."),
		kong.Writers(s.out, s.err),
		kong.Exit(func(code int) { panic(exited(code)) }),
		kong.UsageOnError(),
		kong.ValueFormatter(withDefault),
	)
	if err != nil {
		panic(err)
	}
	defer func() {
		switch code := recover().(type) {
		case nil:
		case exited:
			status = int(code)
		default:
			panic(code)
		}
	}()
	k, err := parser.Parse(args)
	if err != nil {
		var p *kong.ParseError
		known := errors.As(err, &p) && p.Context != nil
		if known && len(args) == 0 { // whoever only types the name asks what there is
			parser.Stdout = s.err
			_ = p.Context.PrintUsage(false)
			return statusUsage
		}
		fmt.Fprintf(s.err, "coilward: %v\n", err)
		if known {
			fmt.Fprintf(s.err, "try: %s --help\n", strings.Join(strings.Fields("coilward "+p.Context.Command()), " "))
		}
		return statusUsage
	}
	chosen := k.Selected().Target.Addr().Interface().(command)
	return chosen.run(ctx, s)
}

// withDefault is a flag's help with the value it has when it is left out, which a
// placeholder would hide.
func withDefault(v *kong.Value) string {
	if v.Tag == nil || v.Tag.Default == "" || v.Tag.PlaceHolder == "" {
		return v.Help
	}
	return v.Help + " Default: " + v.Tag.Default + "."
}

// readFleet reads a fleet file and tells all that is wrong with it.
func readFleet(name string, s *streams) (*fleet.Fleet, bool) {
	data, err := os.ReadFile(name)
	if err != nil {
		fmt.Fprintf(s.err, "coilward: the fleet file cannot be read: %v\n", err)
		return nil, false
	}
	f, err := fleet.Parse(name, data)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return nil, false
	}
	return f, true
}
