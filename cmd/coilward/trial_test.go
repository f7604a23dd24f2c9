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
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/intake"
	"coilward/collector/simulate"
)

// recordings are the histories that recordedDays has made, which it copies.
var recordings struct {
	sync.Mutex
	made map[[2]int]recording
	dir  string // removed by TestMain
}

// recordedDays writes a configuration, a fleet file and the history of a
// simulated fleet, as a daemon that was stopped leaves them.
func recordedDays(t *testing.T, machines, days int) (dir string, r recording) {
	t.Helper()
	recordings.Lock()
	defer recordings.Unlock()
	r, ok := recordings.made[[2]int{machines, days}]
	if !ok {
		r = record(t, machines, days)
		recordings.made[[2]int{machines, days}] = r
	}
	dir = t.TempDir()
	for name, text := range map[string]string{"fleet.yaml": r.yaml, "coilward.yaml": "data_dir: data\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll(filepath.Join(dir, "data"), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := copyFolder(t.Context(), r.history, filepath.Join(dir, "data", historyDir)); err != nil {
		t.Fatal(err)
	}
	return dir, r
}

// record needs the recordings locked.
func record(t *testing.T, machines, days int) recording {
	t.Helper()
	if recordings.made == nil {
		var err error
		if recordings.dir, err = os.MkdirTemp("", "coilward-test-"); err != nil {
			t.Fatal(err)
		}
		recordings.made = map[[2]int]recording{}
	}
	sim, f := invented(t, machines, days)
	lasts := time.Duration(days) * 24 * time.Hour
	r := recording{yaml: sim.YAML(), end: sim.Now().Add(lasts), history: filepath.Join(recordings.dir, fmt.Sprintf("%d-%d", machines, days))}
	store, err := history.Open(history.Options{Dir: r.history, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	fill(t, store, sim, f, lasts)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	return r
}

// recording is what recordedDays recorded.
type recording struct {
	yaml    string // the fleet file
	history string // the folder
	end     time.Time
}

// fill stores what the cabinets say for a while, as the intake would.
func fill(t testing.TB, store *history.Store, sim *simulate.Fleet, f *fleet.Fleet, d time.Duration) {
	t.Helper()
	start := sim.Now()
	p := newPipeline(pipelineOptions{Fleet: f})
	decoder := intake.NewDecoder(intake.DecoderOptions{})
	var got []collector.Reading
	for sim.Now().Before(start.Add(d)) {
		for _, m := range sim.Advance(time.Hour) {
			received := p.stamp(collector.MillisOf(start.Add(time.Duration(m.Received * float64(time.Second)))))
			readings, _ := decoder.Decode(nil, received, m.Topic, m.Payload)
			for i := range readings {
				if readings[i].Received = received; readings[i].Status != collector.NoStatus {
					readings[i].At = received
				}
			}
			p.admission.Admit(readings, func(r *collector.Reading, why collector.Reason) {
				if why == collector.NoReason || why.Repaired() {
					got = append(got, *r)
				}
			})
		}
		if err := store.Append(t.Context(), got); err != nil {
			t.Fatal(err)
		}
		got = got[:0]
	}
}

// tried runs a trial as typed and returns its JSON.
func tried(t *testing.T, args ...string) (result struct {
	Same        int
	Now, With   struct{ Alerts int }
	Differences []struct {
		Kind      string
		Now, With *struct{ Machines []string }
	}
}) {
	t.Helper()
	var out, problems bytes.Buffer
	if status := run(t.Context(), append([]string{"trial", "--json", "--share", "1"}, args...), &streams{nil, &out, &problems}); status != statusOK {
		t.Fatalf("status %d: %s", status, &problems)
	}
	if err := json.Unmarshal(out.Bytes(), &result); err != nil {
		t.Fatalf("%v: %s", err, &out)
	}
	return result
}

// proposed writes the fleet file with a change and returns its name.
func proposed(t *testing.T, dir, what, by string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "fleet.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.ReplaceAll(string(text), what, by)
	if what != "" && changed == string(text) {
		t.Fatalf("the fleet file has no %q", what)
	}
	name := filepath.Join(dir, "proposed.yaml")
	if err := os.WriteFile(name, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// careless is a fleet file whose limits are seven degrees higher, with product
// that is worth little.
func careless(t *testing.T, dir string) string {
	t.Helper()
	proposed(t, dir, "sites:\n", "limits:\n  sealed-beverage: {warm: 14}\n  dairy: {warm: 12}\n  tcs-food: {warm: 12}\nsites:\n")
	text, err := os.ReadFile(filepath.Join(dir, "proposed.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "proposed.yaml")
	if err := os.WriteFile(name, regexp.MustCompile(`load_value: .*`).ReplaceAll(text, []byte("load_value: 20")), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// Both runs of a trial say, byte for byte, what a replay with those settings says
// of these days.
func TestTrialEqualsReplay(t *testing.T) {
	dir, sim := recordedDays(t, 8, 3)
	end := sim.end
	change := careless(t, dir)
	result := tried(t, "--config", filepath.Join(dir, "coilward.yaml"), "--fleet", change, "--days", "2",
		"--to", end.Format(time.RFC3339), "--findings", dir)
	if len(result.Differences) == 0 {
		t.Error("the change makes no difference")
	}
	var both [2][]byte
	for i, c := range []struct{ fleet, lines string }{{"fleet.yaml", "now.ndjson"}, {"proposed.yaml", "with.ndjson"}} {
		f, ok := readFleet(filepath.Join(dir, c.fleet), &streams{err: os.Stderr})
		if !ok {
			t.Fatal("fleet file")
		}
		var out bytes.Buffer
		r := &replay{fleet: f, out: bufio.NewWriter(&out), errors: io.Discard, upTo: collector.MillisOf(end)}
		err := r.stored(t.Context(), filepath.Join(dir, "data", "history"), collector.MillisOf(end.Add(-48*time.Hour)), collector.MillisOf(end))
		if err = errors.Join(err, r.out.Flush()); err != nil {
			t.Fatal(err)
		}
		if both[i], err = os.ReadFile(filepath.Join(dir, c.lines)); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(both[i], out.Bytes()) || out.Len() == 0 {
			t.Errorf("%s: %d bytes are not the %d of a replay", c.lines, len(both[i]), out.Len())
		}
	}
	if bytes.Equal(both[0], both[1]) {
		t.Error("the change shows in no finding")
	}
}

// The same settings make no difference, for all machines or for some.
func TestTrialUnchanged(t *testing.T) {
	dir, _ := recordedDays(t, 8, 3)
	config, same := filepath.Join(dir, "coilward.yaml"), proposed(t, dir, "", "")
	all := tried(t, "--config", config, "--fleet", same, "--days", "3")
	if len(all.Differences) != 0 || all.Same == 0 || all.Now.Alerts != all.With.Alerts {
		t.Errorf("%+v, want alerts and no difference", all)
	}

	change := careless(t, dir)
	all = tried(t, "--config", config, "--fleet", change, "--days", "3")
	if len(all.Differences) == 0 {
		t.Fatal("the change makes no difference")
	}
	d := all.Differences[0]
	e := d.Now
	if e == nil {
		e = d.With
	}
	one := tried(t, "--config", config, "--fleet", change, "--days", "3", "--machine", e.Machines[0])
	want := 0
	for _, d := range all.Differences {
		if d.Now != nil && d.Now.Machines[0] == e.Machines[0] || d.Now == nil && d.With.Machines[0] == e.Machines[0] {
			want++
		}
	}
	if len(one.Differences) != want || one.Same >= all.Same+len(all.Differences) {
		t.Errorf("%d differences of %s alone, want %d", len(one.Differences), e.Machines[0], want)
	}
}

// A trial stops when asked to, and says so.
func TestTrialInterrupted(t *testing.T) {
	dir, _ := recordedDays(t, 2, 1)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, problems bytes.Buffer
	status := run(ctx, []string{"trial", "--config", filepath.Join(dir, "coilward.yaml"), "--fleet", filepath.Join(dir, "fleet.yaml")}, &streams{nil, &out, &problems})
	if status != statusFailed || !strings.Contains(problems.String(), "interrupted") || out.Len() != 0 {
		t.Errorf("status %d, %q, %q", status, &out, &problems)
	}
}

// What speaks against a change is said with its trial, and only what the change brings.
func TestTrialAdvises(t *testing.T) {
	dir, _ := recordedDays(t, 2, 1)
	config, inUse := filepath.Join(dir, "coilward.yaml"), filepath.Join(dir, "now.yaml")
	if err := os.WriteFile(inUse, []byte("fleet: {alerting: {off_delay: 1m}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"trial", "--share", "1", "--config", config, "--days", "1", "--set", "alerting.on_delay.medium=50m"}
	const order, off = "an on-delay of 50 min for medium is longer than the 30 min for low", "an off-delay of 1 min is shorter"
	text := typedOK(t, append(args, "--set", "alerting.off_delay=1m")...)
	if !strings.Contains(text, order) || !strings.Contains(text, off) {
		t.Errorf("no advice in\n%s", text)
	}
	text = typedOK(t, append(args, "--settings-in-use", inUse)...)
	if !strings.Contains(text, order) || strings.Contains(text, off) {
		t.Errorf("advice about what is in use already, or none:\n%s", text)
	}
}
