package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"coilward/alerts/trial"
)

// trialCommand is the command line of trial.
type trialCommand struct {
	Config   string    `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file: it names the fleet file in use, the history, and who is told."`
	Fleet    string    `placeholder:"FILE" type:"path" help:"Proposed fleet file; the one in use if left out."`
	Settings string    `placeholder:"FILE" type:"path" help:"Proposed settings, all of them, as settings export writes them; those in effect if left out."`
	Set      []string  `sep:"none" placeholder:"SETTING" help:"Change one of the settings, such as 'alerting.on_delay.medium=20m' for the fleet, or 'site oakmill: alerting.off_delay=30m'. May be given several times."`
	Days     float64   `default:"7" placeholder:"N" help:"How many days back, 1 to 90."`
	Site     []string  `placeholder:"ID" help:"Only the machines of these sites."`
	Machine  []string  `placeholder:"ID" help:"Only these machines; all are tried if left out. Others at their sites are replayed too, since several may have one cause, but not counted."`
	Suggest  float64   `placeholder:"RATE" help:"Also say which setting would have met this many false alarms a machine and year with the least delay. Takes several times as long."`
	To       time.Time `placeholder:"TIME" help:"Where the days end; the newest reading if left out."`
	Learn    string    `default:"day" placeholder:"HOW" help:"How models come to what they know: day, they go on from those the daemon kept of the day before, or learn from 14 days where it kept none; a number of days to learn from; or all, from all that is stored, as replay does."`
	Data     string    `placeholder:"DIR" type:"path" help:"Take the history from this data folder or backup."`
	History  string    `enum:"embedded,influx" default:"embedded" help:"embedded, or the copy in the InfluxDB of the configuration."`
	Share    float64   `default:"0.5" placeholder:"SHARE" help:"Share of the processors that may be used, above 0 and at most 1."`
	JSON     bool      `name:"json" help:"Print JSON."`
	Findings string    `placeholder:"DIR" type:"path" help:"Write what both runs found into now.ndjson and with.ndjson in this folder, as replay prints it."`

	// Of the daemon, which runs trials as a process of their own.
	FleetInUse    string `hidden:"" type:"path"`
	SettingsInUse string `hidden:"" type:"path"`
	Visits        string `hidden:"" type:"path"`
	Kinds         string `hidden:"" type:"path"`
	Child         bool   `hidden:""` // progress as JSON on standard error; ends when standard input does
}

// Help is the longer text.
func (trialCommand) Help() string {
	return `Replays past days twice through what the daemon runs, under the settings in use and under proposed ones, and prints what people would have been told, side by side. Nothing is changed and nobody is told anything. It works beside a running daemon.

Example:
  coilward trial --config /etc/coilward/coilward.yaml --set 'alerting.on_delay.medium=20m' --days 30
  coilward trial --config coilward.yaml --settings proposed.yaml --days 14 --site oakmill --suggest 1`
}

var errInterrupted = errors.New("interrupted; nothing was changed")

func (c *trialCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		if ctx.Err() != nil {
			status, err = statusFailed, errInterrupted
		}
		s.problems("trial", err)
		return status
	}
	if err := c.check(); err != nil {
		return fail(statusUsage, err)
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	data := conf.DataDir
	if c.Data != "" {
		data = c.Data
	}
	both, err := c.propose(ctx, conf, data)
	if err != nil {
		return fail(statusUsage, err)
	}
	team, err := conf.Notify.people()
	if err != nil {
		return fail(statusUsage, err)
	}

	processors := max(1, int(math.Round(c.Share*float64(runtime.NumCPU()))))
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(processors))
	store, done, err := c.openPast(ctx, conf, data)
	if err != nil {
		return fail(statusFailed, err)
	}
	defer done()

	p := &player{store: store, shards: processors}
	if p.kinds, err = c.kinds(ctx, data); err != nil {
		return fail(statusFailed, err)
	}
	if p.from, p.to, err = stretchOf(store, c.To, days(c.Days)); err != nil {
		return fail(statusFailed, err)
	}
	first := firstReceived(store)
	if p.learn, err = learnBefore(p.from, first, c.Learn, daysOf(data)); err != nil {
		return fail(statusFailed, err)
	}
	both.narrow(p, both.machines)
	if c.Findings != "" {
		closeFiles, err := p.writeFindings(c.Findings)
		if err != nil {
			return fail(statusFailed, err)
		}
		defer closeFiles()
	}
	visits, err := c.visits(ctx, data)
	if err != nil {
		return fail(statusFailed, err)
	}
	parts := 1.0
	if c.Suggest > 0 {
		parts = 4 // the suggestion takes about three times as long
	}
	if c.Child {
		var stop func()
		ctx, stop = untilEOF(ctx, s.in)
		defer stop()
	}
	progress := p.watch(s.err, c.Child, 0, 1/parts)
	result, err := trial.Run(ctx, trial.Options{
		From: p.from, To: p.to, Machines: both.machines, Fleet: both.with.Len(), Play: p.play, Visits: visits, Begins: p.learn.begins(first),
		ToldNow: whoIsTold(team, both.now), ToldWith: whoIsTold(team, both.with),
	})
	progress()
	if err != nil {
		return fail(statusFailed, err)
	}
	var found *trial.Suggestion
	if c.Suggest > 0 {
		if found, err = c.suggest(ctx, s, p, both, visits, 1/parts); err != nil {
			return fail(statusFailed, err)
		}
	}
	if !c.JSON {
		for _, a := range both.against {
			fmt.Fprintf(s.out, "advice: %s\n", a)
		}
	}
	if err := write(s.out, result, found, c.JSON); err != nil {
		return fail(statusFailed, err)
	}
	return statusOK
}

// check holds the arguments against what they can be.
func (c *trialCommand) check() error {
	switch {
	case !(c.Days >= 1 && c.Days <= 90):
		return fmt.Errorf("--days %g is not between 1 and 90", c.Days)
	case !(c.Share > 0 && c.Share <= 1):
		return fmt.Errorf("--share %g must be above 0 and at most 1", c.Share)
	case !(c.Suggest >= 0):
		return fmt.Errorf("--suggest %g must be a rate above 0", c.Suggest)
	case c.Fleet == "" && c.Settings == "" && len(c.Set) == 0 && c.Suggest == 0:
		return errors.New("nothing is proposed; name a file with --settings or --fleet, or change a setting with --set")
	}
	_, err := parseLearn(c.Learn)
	return err
}

// write writes the result, and what is suggested, as text or JSON.
func write(out io.Writer, r *trial.Result, found *trial.Suggestion, asJSON bool) error {
	if !asJSON {
		if err := r.WriteText(out); err != nil || found == nil {
			return err
		}
		return found.WriteText(out)
	}
	report := r.Report()
	if found != nil {
		report.Suggestion = found.Report()
	}
	line, err := json.Marshal(report)
	if err != nil {
		return err
	}
	_, err = out.Write(append(line, '\n'))
	return err
}

func days(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }

// writeFindings makes the player write the lines that replay prints.
func (p *player) writeFindings(dir string) (closeFiles func(), err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	var files []*os.File
	for _, name := range []string{"now.ndjson", "with.ndjson"} {
		f, err := os.Create(filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		files = append(files, f)
		p.lines = append(p.lines, bufio.NewWriter(f))
	}
	return func() {
		for i, f := range files {
			if err := errors.Join(p.lines[i].Flush(), f.Close()); err != nil {
				fmt.Fprintf(os.Stderr, "coilward trial: %s is not complete: %v\n", f.Name(), err)
			}
		}
	}, nil
}
