package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/goccy/go-yaml"

	"coilward/alerts/board"
	"coilward/alerts/trial"
)

// trialDesk runs the trials that the board orders, one at a time, each as a process
// of its own of the lowest priority: the daemon's memory, its garbage collector and
// its share of the processors are not a trial's. What the process runs is the
// command trial, so that both say the same.
type trialDesk struct {
	d       *daemon
	program string // this program
	start   func(*exec.Cmd) error
	orders  chan string

	mu   sync.Mutex // guards what follows
	runs []*deskRun // oldest first
	next int
}

// deskRun is a trial, and how to end it.
type deskRun struct {
	board.TrialRun
	began  time.Time // on the wall
	cancel context.CancelFunc
}

const (
	mostTrials   = 20          // are kept
	trialShare   = 0.5         // of the processors, for a process that gives way to every other
	mostResult   = 256 << 20   // bytes
	mostComplain = 4 << 10     // bytes
	niceness     = 19          // the most that gives way
	groupNice    = 12          // of a trial's session beside others: 7 % of what an equal would get
	giveUpAfter  = time.Second // until a process that was killed lets go of its output
)

func newTrialDesk(d *daemon) (*trialDesk, error) {
	program, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return &trialDesk{d: d, program: program, start: startLast, orders: make(chan string, 1)}, nil
}

// Start begins a trial, unless one is under way.
func (t *trialDesk) Start(o board.TrialOrder) (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, r := range t.runs {
		if r.Ended.IsZero() {
			return "", fmt.Errorf("trial %s is under way; wait for it, or cancel it", r.ID)
		}
	}
	t.next++
	r := &deskRun{TrialRun: board.TrialRun{ID: strconv.Itoa(t.next), Order: o, Began: t.d.clock.Now()}, began: time.Now(), cancel: func() {}}
	select {
	case t.orders <- r.ID:
	default:
		return "", errors.New("a trial is about to begin; wait for it, or cancel it")
	}
	t.runs = append(t.runs, r)
	if len(t.runs) > mostTrials {
		t.runs = slices.Delete(t.runs, 0, len(t.runs)-mostTrials)
	}
	return r.ID, nil
}

// Run returns a trial as it is now.
func (t *trialDesk) Run(id string) (board.TrialRun, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if r := t.find(id); r != nil {
		return r.shown(), true
	}
	return board.TrialRun{}, false
}

// Runs returns the trials that are kept, newest first.
func (t *trialDesk) Runs() []board.TrialRun {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := make([]board.TrialRun, len(t.runs))
	for i, r := range t.runs {
		out[len(t.runs)-1-i] = r.shown()
	}
	return out
}

// shown adds how long it takes yet.
func (r *deskRun) shown() board.TrialRun {
	out := r.TrialRun
	if out.Ended.IsZero() && out.Done > 0.03 {
		out.Left = time.Duration(float64(time.Since(r.began)) * (1 - out.Done) / out.Done)
	}
	return out
}

// Cancel ends a trial that is under way.
func (t *trialDesk) Cancel(id string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if r := t.find(id); r != nil && r.Ended.IsZero() {
		r.Canceled, r.Ended = true, t.d.clock.Now()
		r.cancel()
	}
}

// find needs mu held.
func (t *trialDesk) find(id string) *deskRun {
	for _, r := range t.runs {
		if r.ID == id {
			return r
		}
	}
	return nil
}

// work runs what is ordered until ctx ends.
func (t *trialDesk) work(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case id := <-t.orders:
			t.one(ctx, id)
		}
	}
}

// one runs one trial to its end.
func (t *trialDesk) one(ctx context.Context, id string) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	t.mu.Lock()
	r := t.find(id)
	if r == nil || !r.Ended.IsZero() {
		t.mu.Unlock()
		return // cancelled before it began
	}
	r.cancel = cancel
	order := r.Order
	t.mu.Unlock()
	report, err := t.replay(ctx, order, func(done float64) {
		t.mu.Lock()
		defer t.mu.Unlock()
		r.Done = done
	})
	t.mu.Lock()
	defer t.mu.Unlock()
	if r.Canceled {
		return
	}
	r.Ended = t.d.clock.Now()
	switch {
	case ctx.Err() != nil:
		r.Canceled = true
	case err != nil:
		r.Err = err.Error()
		t.d.log.Warn().Err(err).Str("trial", id).Msg("a trial failed")
	default:
		r.Done, r.Result = 1, report
	}
	t.d.bell.Ring()
}

// replay has the process do it.
func (t *trialDesk) replay(ctx context.Context, o board.TrialOrder, done func(float64)) (*trial.Report, error) {
	parent := filepath.Join(t.d.config.DataDir, checkpointsDir)
	if err := os.MkdirAll(parent, 0o750); err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp(parent, "trial-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	args, err := t.prepare(ctx, dir, o)
	if err != nil {
		return nil, err
	}
	// The context kills it; nothing it does must be put in order. When this daemon is
	// killed, the process sees the end of its input.
	cmd := exec.CommandContext(ctx, t.program, args...)
	cmd.WaitDelay = giveUpAfter
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	defer in.Close()
	var out bytes.Buffer
	cmd.Stdout = &limited{to: &out, left: mostResult}
	problems := &progress{done: done}
	cmd.Stderr = problems
	if err := t.start(cmd); err != nil {
		return nil, fmt.Errorf("the trial cannot be started: %w", err)
	}
	if err := cmd.Wait(); err != nil {
		if ctx.Err() == nil && problems.text != "" {
			return nil, errors.New(problems.text)
		}
		return nil, err
	}
	report := new(trial.Report)
	if err := json.Unmarshal(out.Bytes(), report); err != nil {
		return nil, fmt.Errorf("the result cannot be read: %w", err)
	}
	return report, nil
}

// prepare puts all that the process needs into a folder, the history as a
// checkpoint, and returns its arguments.
func (t *trialDesk) prepare(ctx context.Context, dir string, o board.TrialOrder) ([]string, error) {
	_, text, _, _ := t.d.inUse.state()
	if text == nil {
		return nil, errors.New("the fleet file cannot be read")
	}
	people, err := json.Marshal(t.d.team.Settings())
	if err != nil {
		return nil, err
	}
	found, err := visitsIn(ctx, t.d.ledger)
	if err != nil {
		return nil, err
	}
	visits, err := json.Marshal(found)
	if err != nil {
		return nil, err
	}
	versions, err := kindsIn(ctx, t.d.ledger)
	if err != nil {
		return nil, err
	}
	kinds, err := json.Marshal(versions)
	if err != nil {
		return nil, err
	}
	config, err := t.configFor(o)
	if err != nil {
		return nil, err
	}
	files := map[string][]byte{
		"fleet.yaml": text, "now.yaml": o.InUse.YAML(), "with.yaml": o.State.YAML(), "people.json": people, "visits.json": visits, "kinds.json": kinds,
		"trial.yaml": config,
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			return nil, err
		}
	}
	if err := copyDays(t.d.config.DataDir, dir, linkFile); err != nil {
		return nil, err
	}
	if !o.Influx {
		if err := t.d.history.Backup(filepath.Join(dir, historyDir)); err != nil {
			return nil, err
		}
	}
	in := func(name string) string { return filepath.Join(dir, name) }
	args := []string{"trial", "--child", "--json", "--config", in("trial.yaml"), "--settings-in-use", in("now.yaml"), "--settings", in("with.yaml"),
		"--visits", in("visits.json"), "--kinds", in("kinds.json"), "--days", strconv.Itoa(o.Days), "--share", strconv.FormatFloat(trialShare, 'g', -1, 64)}
	for _, s := range o.Sites {
		args = append(args, "--site", s)
	}
	for _, m := range o.Machines {
		args = append(args, "--machine", m)
	}
	if o.Influx {
		args = append(args, "--history", "influx")
	}
	if o.Suggest > 0 {
		args = append(args, "--suggest", strconv.FormatFloat(o.Suggest, 'g', -1, 64))
	}
	return args, nil
}

// configFor is the configuration of the process: the folder it is in, and where the
// second history is if that is asked for.
func (t *trialDesk) configFor(o board.TrialOrder) ([]byte, error) {
	c := map[string]any{"data_dir": ".", "fleet_file": "fleet.yaml", "notify": map[string]string{"people_file": "people.json"}}
	if o.Influx {
		if !t.InfluxSource() {
			return nil, errors.New("the configuration names no InfluxDB any more; try it on the history of the program")
		}
		second := t.d.config.Influx // the token stays in its file
		if second.TokenFile != "" {
			file, err := filepath.Abs(second.TokenFile)
			if err != nil {
				return nil, err
			}
			second.TokenFile = file
		}
		c["influx"] = second
	}
	return yaml.Marshal(c)
}

// InfluxSource reports whether the copy of the history in InfluxDB can be tried on.
func (t *trialDesk) InfluxSource() bool { return t.d.config.Influx.URL != "" }

// progress reads what the process tells on standard error.
type progress struct {
	done func(float64)
	rest []byte
	text string // what is no progress: why it failed
}

func (p *progress) Write(b []byte) (int, error) {
	p.rest = append(p.rest, b...)
	for {
		n, line, err := bufio.ScanLines(p.rest, false)
		if n == 0 || err != nil {
			break
		}
		p.line(string(line))
		p.rest = append(p.rest[:0], p.rest[n:]...)
	}
	return len(b), nil
}

func (p *progress) line(line string) {
	var x struct {
		Done float64 `json:"done"`
	}
	if strings.HasPrefix(line, "{") && json.Unmarshal([]byte(line), &x) == nil {
		p.done(x.Done)
		return
	}
	line = strings.TrimPrefix(line, "coilward trial: ")
	if len(p.text) < mostComplain {
		p.text = strings.TrimSpace(p.text + "\n" + line)
	}
}

// limited refuses more than so many bytes.
type limited struct {
	to   io.Writer
	left int
}

func (l *limited) Write(b []byte) (int, error) {
	if l.left -= len(b); l.left < 0 {
		return 0, errors.New("the result is too long; try fewer days or machines")
	}
	return l.to.Write(b)
}
