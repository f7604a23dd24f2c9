package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/board"
	"coilward/alerts/ledger"
	"coilward/alerts/settings"
	"coilward/collector/racetest"
)

// trying starts a daemon on recorded days, whose trials run this test's program.
func trying(t *testing.T, machines, days int) (d *daemon, config string, stop func()) {
	t.Helper()
	dir, sim := recordedDays(t, machines, days)
	config = filepath.Join(dir, "coilward.yaml")
	conf, err := readConfig(config)
	if err != nil {
		t.Fatal(err)
	}
	conf.Broker.Listen, conf.Board.Listen = "127.0.0.1:0", "127.0.0.1:0"
	f, err := parseFleet(conf.FleetFile)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	d, err = newDaemon(ctx, conf, f, newFastClock(sim.end, time.Now), zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	trialsOfTest(t, d)
	ready, ended := make(chan struct{}), make(chan error, 1)
	d.ready = func() { close(ready) }
	go func() { ended <- d.run(ctx) }()
	select {
	case <-ready:
	case err := <-ended:
		t.Fatalf("the daemon ended: %v", err)
	case <-time.After(longest):
		t.Fatalf("the daemon does not begin\n%s", standing())
	}
	return d, config, func() {
		cancel()
		within(t, "the daemon ends", func(context.Context) error { return <-ended })
	}
}

// trialsOfTest makes a daemon's trials run this test's program.
func trialsOfTest(t *testing.T, d *daemon) {
	t.Helper()
	var err error
	if d.trials.program, err = exec.LookPath("coilward"); err != nil { // TestMain has put it there
		t.Fatal(err)
	}
	// What a trial says does not depend on when it gets a processor, which beside the
	// tests of other packages takes minutes; TestTrialProcessGivesWay sees that it comes last.
	d.trials.start = (*exec.Cmd).Start
}

// lax is settings under which almost nothing is alerted.
const lax = "fleet: {limits: {sealed-beverage: {warm: 14}, dairy: {warm: 12}, tcs-food: {warm: 12}}, alerting: {priority: {at_most: low}, on_delay: {low: 3h}}}"

// The board's trial says what the command says, byte for byte, and that is what a
// replay with those settings says.
func TestBoardTrialEqualsCommand(t *testing.T) {
	machines, stored, back := 8, 3, 2
	if racetest.Enabled { // ten times as slow, and the goroutines are the same
		machines, stored, back = 5, 2, 1
	}
	d, config, stop := trying(t, machines, stored)
	defer stop()
	// What is in use is laid over the file as well, and people found something.
	in := boardSettings{d.inUse}
	if _, err := in.Save(t.Context(), settings.Change{Who: "Ana", Why: "test", State: overrides(t, "fleet: {alerting: {off_delay: 20m}}")}); err != nil {
		t.Fatal(err)
	}
	machine := d.fleet.Load().Sites[0].Machines[0].ID
	if err := d.ledger.PutVisit(t.Context(), ledger.Visit{ID: "v", Machine: machine, At: d.clock.Now().Add(-12 * time.Hour), Closed: true, Label: "coil-iced", Body: json.RawMessage("{}")}, "Ana", ""); err != nil {
		t.Fatal(err)
	}
	proposed := overrides(t, lax)
	_, effect := in.InUse()
	id, err := d.trials.Start(board.TrialOrder{InUse: effect.All, State: proposed, Days: back, Suggest: 3, By: "Ana"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.trials.Start(board.TrialOrder{State: proposed, Days: back}); err == nil {
		t.Error("a second trial begins beside the first")
	}
	var run board.TrialRun
	eventually(t, "the trial ends", func() bool {
		run, _ = d.trials.Run(id)
		return !run.Ended.IsZero()
	})
	if run.Err != "" || run.Result == nil {
		t.Fatalf("%+v", run)
	}
	if len(run.Result.Differ) == 0 || len(run.Result.Visits) != 1 || run.Result.Suggestion == nil || len(run.Result.People) == 0 {
		t.Errorf("result %+v", run.Result)
	}
	ofBoard, err := json.Marshal(run.Result)
	if err != nil {
		t.Fatal(err)
	}

	dir := filepath.Dir(config)
	file := filepath.Join(dir, "with.yaml")
	if err := os.WriteFile(file, proposed.YAML(), 0o600); err != nil {
		t.Fatal(err)
	}
	inUse := filepath.Join(dir, "now.yaml")
	if err := os.WriteFile(inUse, effect.All.YAML(), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, problems bytes.Buffer
	args := []string{"trial", "--json", "--share", "1", "--config", config, "--settings", file, "--settings-in-use", inUse, "--days", strconv.Itoa(back), "--suggest", "3", "--findings", dir}
	if status := run2(t, args, &out, &problems); status != statusOK {
		t.Fatalf("status %d: %s", status, &problems)
	}
	if got := strings.TrimSpace(out.String()); got != string(ofBoard) {
		t.Errorf("the command says\n%s\nthe board\n%s", got, ofBoard)
	}

	// A replay under these settings, of a copy of the history.
	copied := filepath.Join(dir, "copy")
	if err := d.history.Backup(copied); err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]string{"now.ndjson": inUse, "with.ndjson": file} {
		out.Reset()
		from := run.Result.From
		args := []string{"replay", "--fleet", filepath.Join(dir, "fleet.yaml"), "--settings", o, "--history", copied, "--from", from, "--to", run.Result.To}
		if status := run2(t, args, &out, &problems); status != statusOK {
			t.Fatalf("status %d: %s", status, &problems)
		}
		want, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(want, out.Bytes()) || out.Len() == 0 {
			t.Errorf("%s: %d bytes are not the %d of a replay", name, len(want), out.Len())
		}
	}
}

// The board's trial goes on from the models that its daemon kept, as the command does
// beside it, and what it says of the settings in use is what a replay of all days says.
func TestBoardTrialFromADaysModels(t *testing.T) {
	d, config, stop := trying(t, 8, 4)
	defer stop()
	eventually(t, "the models of the first days are kept", func() bool {
		all, err := daysOf(d.config.DataDir).List()
		return err == nil && len(all) >= 3
	})
	id, err := d.trials.Start(board.TrialOrder{InUse: overrides(t, ""), State: overrides(t, lax), Days: 1, By: "Ana"})
	if err != nil {
		t.Fatal(err)
	}
	var run board.TrialRun
	eventually(t, "the trial ends", func() bool {
		run, _ = d.trials.Run(id)
		return !run.Ended.IsZero()
	})
	if run.Err != "" || run.Result == nil || run.Result.Models == nil {
		t.Fatalf("%+v", run)
	}
	ofBoard, err := json.Marshal(run.Result)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(config)
	with := filepath.Join(dir, "with.yaml")
	if err := os.WriteFile(with, overrides(t, lax).YAML(), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := typedOK(t, "trial", "--json", "--share", "1", "--config", config, "--settings", with, "--days", "1", "--findings", dir); strings.TrimSpace(got) != string(ofBoard) {
		t.Errorf("the command says\n%s\nthe board\n%s", got, ofBoard)
	}
	copied := filepath.Join(dir, "copy")
	if err := d.history.Backup(copied); err != nil {
		t.Fatal(err)
	}
	want := typedOK(t, "replay", "--fleet", filepath.Join(dir, "fleet.yaml"), "--history", copied, "--from", run.Result.From, "--to", run.Result.To)
	got, err := os.ReadFile(filepath.Join(dir, "now.ndjson"))
	if err != nil || string(got) != want || want == "" {
		t.Errorf("%v %s", err, firstDifference(string(got), want))
	}
}

func run2(t *testing.T, args []string, out, problems *bytes.Buffer) int {
	t.Helper()
	return run(t.Context(), args, &streams{strings.NewReader(""), out, problems})
}

// A trial can be cancelled at once, and one that cannot be made says why; neither
// leaves anything behind.
func TestBoardTrialCancelled(t *testing.T) {
	d, _, stop := trying(t, 2, 1)
	defer stop()
	id, err := d.trials.Start(board.TrialOrder{State: overrides(t, lax), Days: 1})
	if err != nil {
		t.Fatal(err)
	}
	d.trials.Cancel(id)
	if run, _ := d.trials.Run(id); !run.Canceled || run.Ended.IsZero() || run.Result != nil {
		t.Errorf("cancelled: %+v", run)
	}
	// The next begins as soon as the process is gone.
	eventually(t, "the next trial begins", func() bool {
		id, err = d.trials.Start(board.TrialOrder{State: overrides(t, lax), Days: 1, Machines: []string{"cab-nowhere"}})
		return err == nil
	})
	eventually(t, "it fails", func() bool {
		run, _ := d.trials.Run(id)
		return strings.Contains(run.Err, "machine cab-nowhere")
	})
	if runs := d.trials.Runs(); len(runs) != 2 || runs[0].ID != id {
		t.Errorf("%d runs", len(runs))
	}
	eventually(t, "no checkpoint is left", func() bool {
		left, err := filepath.Glob(filepath.Join(d.config.DataDir, checkpointsDir, "trial-*"))
		return err == nil && len(left) == 0
	})
}

// A process of a trial gives way to every other: it is nice, and of a policy that
// does not interrupt (SCHED_BATCH, 3) with a long slice where the kernel knows of
// slices, else of that which is scheduled when nobody else wants the processor
// (SCHED_IDLE, 5; fields 19 and 41 of proc(5) stat).
func TestTrialProcessGivesWay(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only on Linux")
	}
	program, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell")
	}
	var out bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program, "-c", "cut -d' ' -f19,41 /proc/self/stat")
	cmd.Stdout = &out
	if err := startLast(cmd); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(out.String()); got != "19 3" && got != "19 5" {
		t.Errorf("its niceness and policy are %s, want 19 3 or 19 5", got)
	}
	// Its session is its own, and has less weight than others where sessions have any.
	cat := exec.CommandContext(t.Context(), "cat")
	in, err := cat.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := startLast(cat); err != nil {
		t.Fatal(err)
	}
	if text, err := os.ReadFile(fmt.Sprintf("/proc/%d/autogroup", cat.Process.Pid)); err == nil && !strings.HasSuffix(strings.TrimSpace(string(text)), "nice "+strconv.Itoa(groupNice)) {
		t.Errorf("its session's weight is %q, want nice %d", text, groupNice)
	}
	ofIt, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", cat.Process.Pid)) // pid (cat) state ppid pgrp session …
	if err != nil {
		t.Fatal(err)
	}
	if fields := strings.Fields(string(ofIt)); fields[5] != strconv.Itoa(cat.Process.Pid) {
		t.Errorf("its session is %s, want its own, %d", fields[5], cat.Process.Pid)
	}
	if err := errors.Join(in.Close(), cat.Wait()); err != nil {
		t.Error(err)
	}
	own := exec.CommandContext(t.Context(), program, "-c", "nice")
	if b, err := own.Output(); err != nil || strings.TrimSpace(string(b)) == "19" {
		t.Errorf("what is started otherwise has niceness %s, %v", b, err)
	}
}

// Where a change concerns alerts alone, both runs share their models, and still say
// what a replay with the settings says.
func TestTrialOfAlertsAlone(t *testing.T) {
	dir, sim := recordedDays(t, 8, 2)
	end := sim.end.Format(time.RFC3339)
	file := filepath.Join(dir, "with.yaml")
	if err := os.WriteFile(file, []byte("fleet: {alerting: {off_delay: 3h, priority: {at_most: medium}}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, problems bytes.Buffer
	args := []string{"trial", "--json", "--share", "1", "--config", filepath.Join(dir, "coilward.yaml"), "--settings", file, "--days", "1", "--to", end, "--findings", dir}
	if status := run2(t, args, &out, &problems); status != statusOK {
		t.Fatalf("status %d: %s", status, &problems)
	}
	var of struct {
		From string `json:"from"`
		Now  struct {
			ByPriority map[string]int `json:"by_priority"`
		} `json:"now"`
	}
	if err := json.Unmarshal(out.Bytes(), &of); err != nil || of.Now.ByPriority["high"]+of.Now.ByPriority["critical"] == 0 {
		t.Fatalf("%v: nothing is urgent in %s", err, &out)
	}
	for name, laid := range map[string][]string{"now.ndjson": nil, "with.ndjson": {"--settings", file}} {
		out.Reset()
		args := append([]string{"replay", "--fleet", filepath.Join(dir, "fleet.yaml"), "--history", filepath.Join(dir, "data", "history"), "--from", of.From, "--to", end}, laid...)
		if status := run2(t, args, &out, &problems); status != statusOK {
			t.Fatalf("status %d: %s", status, &problems)
		}
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, out.Bytes()) || out.Len() == 0 {
			t.Errorf("%s: %d bytes are not the %d of a replay", name, len(got), out.Len())
		}
		if urgent := bytes.Contains(got, []byte(`"priority":"high"`)) || bytes.Contains(got, []byte(`"priority":"critical"`)); urgent != (laid == nil) {
			t.Errorf("%s: urgent %v", name, urgent)
		}
	}
}
