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
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"coilward/alerts/notify"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
)

// trialCommand is the command line of trial.
type trialCommand struct {
	Config   string    `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file: it names the fleet file in use, the history, and who is told."`
	Fleet    string    `required:"" placeholder:"FILE" type:"path" help:"Fleet file with the proposed settings."`
	Days     float64   `default:"7" placeholder:"N" help:"How many days back, 1 to 90."`
	Machine  []string  `placeholder:"ID" help:"Only these machines; all are tried if left out. Others at their sites are replayed too, since several may have one cause, but not counted."`
	To       time.Time `placeholder:"TIME" help:"Where the days end; the newest reading if left out."`
	Learn    float64   `placeholder:"DAYS" help:"Let models learn from this many days before; from all that is stored if left out, as replay does."`
	Data     string    `placeholder:"DIR" type:"path" help:"Take the history from this data folder or backup."`
	Share    float64   `default:"0.5" placeholder:"SHARE" help:"Share of the processors that may be used, above 0 and at most 1."`
	JSON     bool      `name:"json" help:"Print JSON."`
	Findings string    `placeholder:"DIR" type:"path" help:"Write what both runs found into now.ndjson and with.ndjson in this folder, as replay prints it."`
}

// Help is the longer text.
func (trialCommand) Help() string {
	return `Replays past days twice through what the daemon runs, under the fleet file in use and under a proposed one, and prints what people would have been told, side by side. Nothing is changed and nobody is told anything. It works beside a running daemon.

Example:
  coilward trial --config /etc/coilward/coilward.yaml --fleet proposed.yaml --days 30
  coilward trial --config coilward.yaml --fleet proposed.yaml --days 14 --machine cab-0417 --machine cab-0418`
}

func (c *trialCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward trial: %v\n", err)
		return status
	}
	if !(c.Days >= 1 && c.Days <= 90) {
		return fail(statusUsage, fmt.Errorf("--days %g is not between 1 and 90", c.Days))
	}
	if !(c.Share > 0 && c.Share <= 1) {
		return fail(statusUsage, fmt.Errorf("--share %g must be above 0 and at most 1", c.Share))
	}
	if !(c.Learn >= 0) {
		return fail(statusUsage, fmt.Errorf("--learn %g must not be negative", c.Learn))
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	now, ok := readFleet(conf.FleetFile, s)
	if !ok {
		return statusUsage
	}
	with, ok := readFleet(c.Fleet, s)
	if !ok {
		return statusUsage
	}
	settings, err := conf.Notify.people()
	if err != nil {
		fmt.Fprintln(s.err, err)
		return statusUsage
	}
	if err := chosen(c.Machine, now, with); err != nil {
		return fail(statusUsage, err)
	}

	processors := max(1, int(math.Round(c.Share*float64(runtime.NumCPU()))))
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(processors))
	data := conf.DataDir
	if c.Data != "" {
		data = c.Data
	}
	interrupted := errors.New("interrupted; nothing was changed")
	store, done, err := openToRead(ctx, data)
	if ctx.Err() != nil {
		err = interrupted
	}
	if err != nil {
		return fail(statusFailed, err)
	}
	defer done()

	p := &player{store: store, shards: processors}
	if p.from, p.to, err = stretchOf(store, c.To, days(c.Days)); err != nil {
		return fail(statusFailed, err)
	}
	if c.Learn > 0 {
		p.learn = p.from.Add(-days(c.Learn))
	}
	p.now, p.with, p.machines = sitesOf(now, with, c.Machine)
	if c.Findings != "" {
		closeFiles, err := p.writeFindings(c.Findings)
		if err != nil {
			return fail(statusFailed, err)
		}
		defer closeFiles()
	}
	stop := p.watch(s.err)
	result, err := trial.Run(ctx, trial.Options{
		From: p.from, To: p.to, Machines: c.Machine, Fleet: p.with.Len(), Play: p.play,
		ToldNow: whoIsTold(settings, p.now), ToldWith: whoIsTold(settings, p.with),
	})
	stop()
	switch {
	case ctx.Err() != nil:
		return fail(statusFailed, interrupted)
	case err != nil:
		return fail(statusFailed, err)
	}
	if err := write(s.out, result, c.JSON); err != nil {
		return fail(statusFailed, err)
	}
	return statusOK
}

func write(out io.Writer, r *trial.Result, asJSON bool) error {
	if !asJSON {
		return r.WriteText(out)
	}
	line, err := json.Marshal(r)
	if err != nil {
		return err
	}
	_, err = out.Write(append(line, '\n'))
	return err
}

func days(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }

// chosen checks that the machines are in one of the fleet files.
func chosen(machines []string, fleets ...*fleet.Fleet) error {
	var unknown []string
	for _, id := range machines {
		if !slices.ContainsFunc(fleets, func(f *fleet.Fleet) bool { return f.Listed(id) }) {
			unknown = append(unknown, id)
		}
	}
	if len(unknown) > 0 {
		return fmt.Errorf("not in either fleet file: %s", strings.Join(unknown, ", "))
	}
	return nil
}

// stretchOf returns the days that are tried; to is the newest reading's time if
// zero.
func stretchOf(store *history.Store, end time.Time, d time.Duration) (from, to collector.Millis, err error) {
	first := collector.Millis(math.MaxInt64)
	for _, m := range store.Machines() {
		first, to = min(first, m.FirstReceived), max(to, m.LastReceived+1)
	}
	if to == 0 {
		return 0, 0, errors.New("the history is empty: there are no days to try anything on")
	}
	if !end.IsZero() {
		to = collector.MillisOf(end)
	}
	if from = max(to.Add(-d), first); from >= to {
		return 0, 0, fmt.Errorf("the history begins only at %s", first.Time().Format(time.RFC3339))
	}
	return from, to, nil
}

// sitesOf restricts both fleets to the sites of the chosen machines, and returns
// the machines there; all, and nil, if none are chosen.
func sitesOf(now, with *fleet.Fleet, machines []string) (a, b *fleet.Fleet, replayed map[string]bool) {
	if len(machines) == 0 {
		return now, with, nil
	}
	wanted := map[string]bool{}
	for _, f := range []*fleet.Fleet{now, with} {
		for _, id := range machines {
			if m, ok := f.Machine(id); ok {
				wanted[m.Site] = true
			}
		}
	}
	replayed = map[string]bool{}
	part := func(f *fleet.Fleet) *fleet.Fleet {
		var sites []*fleet.Site
		for _, site := range f.Sites {
			if wanted[site.ID] {
				sites = append(sites, site)
				for _, m := range site.Machines {
					replayed[m.ID] = true
				}
			}
		}
		p := fleet.New(sites...)
		p.Currency = f.Currency
		return p
	}
	return part(now), part(with), replayed
}

// writeFindings makes the player write the lines that replay prints.
func (p *player) writeFindings(dir string) (closeFiles func(), err error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	var files []*os.File
	var writers []*bufio.Writer
	for i, name := range []string{"now.ndjson", "with.ndjson"} {
		f, err := os.Create(filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		w := bufio.NewWriter(f)
		files, writers = append(files, f), append(writers, w)
		p.lines[i] = w
	}
	return func() {
		for i, w := range writers {
			if err := errors.Join(w.Flush(), files[i].Close()); err != nil {
				fmt.Fprintf(os.Stderr, "coilward trial: %s is not complete: %v\n", files[i].Name(), err)
			}
		}
	}, nil
}

// watch tells how far the player is until stop is called: in place on a terminal,
// else a line every tenth.
func (p *player) watch(out io.Writer) (stop func()) {
	file, is := out.(*os.File)
	terminal := is && term.IsTerminal(int(file.Fd()))
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		tick := time.NewTicker(250 * time.Millisecond)
		defer tick.Stop()
		begin, told := time.Now(), 0.0
		for {
			select {
			case <-ctx.Done():
				if terminal {
					fmt.Fprint(out, "\r\x1b[K")
				}
				return
			case <-tick.C:
			}
			done := p.done()
			left := ""
			if done > 0.02 {
				left = fmt.Sprintf(", about %.0f s left", time.Since(begin).Seconds()*(1-done)/done)
			}
			switch {
			case terminal:
				fmt.Fprintf(out, "\r\x1b[Ktrial: %3.0f %%%s", 100*done, left)
			case done >= told+0.1:
				told = math.Floor(done*10) / 10
				fmt.Fprintf(out, "trial: %.0f %%%s\n", 100*told, left)
			}
		}
	}()
	return func() { cancel(); <-over }
}

// somebody is told everything, where the configuration names nobody.
func somebody() *notify.Settings {
	p := notify.Person{ID: "whoever is on call", Name: "whoever is on call", TimeZone: "UTC", Contacts: []notify.Contact{{Channel: "email", To: "trial"}}}
	return &notify.Settings{
		People: []notify.Person{p}, EscalateAfter: notify.DefaultEscalation(),
		Rotas: []notify.Rota{{Name: "everything", TimeZone: "UTC", Start: "2026-01-05", People: []string{p.ID}}},
	}
}
