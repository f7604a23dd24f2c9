package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/notify"
	"coilward/collector"
	"coilward/collector/history"
	"coilward/detect/shard"
)

// typedOK runs a command that must succeed and returns what it prints.
func typedOK(t *testing.T, args ...string) string {
	t.Helper()
	var out, problems bytes.Buffer
	if status := run(t.Context(), args, &streams{nil, &out, &problems}); status != statusOK {
		t.Fatalf("%v: status %d: %s", args, status, &problems)
	}
	return out.String()
}

// typedBad runs a command that must fail and returns what it complains of.
func typedBad(t *testing.T, args ...string) string {
	t.Helper()
	var out, problems bytes.Buffer
	if status := run(t.Context(), args, &streams{nil, &out, &problems}); status == statusOK {
		t.Fatalf("%v: succeeded: %s", args, &out)
	}
	return problems.String()
}

// contents returns the files below dir.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		out[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A backup taken while messages pour in passes the check, comes back, holds all
// that was acknowledged before it, and a daemon goes on from it: what that says in
// the end is what a daemon says that was never stopped.
func TestBackupUnderLoad(t *testing.T) {
	const hours = 47
	sim, f := invented(t, 8, 2)
	begin := sim.Now()
	dir := t.TempDir()
	data := filepath.Join(dir, "d")
	config := filepath.Join(dir, "coilward.yaml")
	for name, text := range map[string]string{config: "data_dir: d\n", filepath.Join(dir, "fleet.yaml"): sim.YAML()} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	l := startLive(t, data, f, begin)
	l.play(t, sim, 40*time.Hour)
	acknowledged := l.d.history.LastSeq()

	// Messages go on while the backup is made.
	var stop atomic.Bool
	loaded := make(chan struct{})
	go func() {
		defer close(loaded)
		for !stop.Load() && sim.Now().Before(begin.Add(hours*time.Hour)) {
			l.play(t, sim, 10*time.Minute)
		}
	}()
	backup := filepath.Join(dir, "b")
	typedOK(t, "backup", "--config", config, backup)
	during := l.d.history.LastSeq()
	if out := typedOK(t, "verify", "--data", data); !strings.Contains(out, "all is well") {
		t.Errorf("verify of the folder in use: %s", out)
	}
	stop.Store(true)
	<-loaded
	l.stop()
	if during == acknowledged {
		t.Error("nothing came in while the backup was made: this tests nothing")
	}

	before := contents(t, backup)
	if out := typedOK(t, "verify", "--data", backup); !strings.Contains(out, "all is well") {
		t.Errorf("verify: %s", out)
	}
	restored := filepath.Join(dir, "r")
	typedOK(t, "restore", backup, "--data", restored)
	for name, text := range contents(t, backup) {
		if before[name] != text {
			t.Errorf("%s was changed", name)
		}
	}
	if problem := typedBad(t, "restore", backup, "--data", restored); !strings.Contains(problem, "not empty") {
		t.Errorf("restored over a folder that is in use: %s", problem)
	}

	// The models of the midnight came along, and trials can begin with them.
	if s, err := daysOf(restored).Newest(collector.MillisOf(begin), collector.MillisOf(begin.Add(hours*time.Hour))); err != nil || len(s.Machines) != f.Len() {
		t.Errorf("the models of the day: %v", err)
	}

	// Reading by reading what the daemon stored, to the last acknowledged at least.
	var stored [2][]collector.Reading
	for i, d := range []string{data, restored} {
		store, err := history.Open(history.Options{Dir: filepath.Join(d, "history"), ReadOnly: true, Log: zerolog.Nop()})
		if err != nil {
			t.Fatal(err)
		}
		err = store.Since(t.Context(), 0, func(e *history.Entry) error {
			stored[i] = append(stored[i], e.Reading)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := store.Close(); err != nil {
			t.Fatal(err)
		}
	}
	n := len(stored[1])
	if uint64(n) < acknowledged {
		t.Fatalf("%d readings came back, %d were acknowledged before", n, acknowledged)
	}
	for i, r := range stored[1] {
		if w := stored[0][i]; r.Machine != w.Machine || r.At != w.At || r.Received != w.Received || r.Has != w.Has || r.Value != w.Value {
			t.Fatalf("reading %d came back as another", i+1)
		}
	}

	// A daemon on what came back: its alerts are those of a replay of the readings.
	end := stored[1][n-1].Received.Time()
	l = startLive(t, restored, f, end)
	l.settle(t, end)
	l.stop()
	same(t, "restored", reported(t, restored, f), replayed(t, restored, f, 2, begin, end))
}

// settle lets the epochs up to a time end.
func (l *live) settle(t *testing.T, at time.Time) {
	t.Helper()
	end := collector.MillisOf(at)
	if err := l.d.gate.pass(t.Context(), end); err != nil {
		t.Fatal(err)
	}
	l.d.feeding.Lock()
	defer l.d.feeding.Unlock()
	l.d.pipe.models.Tick(end)
	if err := l.d.pipe.models.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// A link that was sent before a backup works on what is restored from it, and the key
// that signs it stays nobody else's to read. An older backup has none, and comes back.
func TestLinksOutliveARestore(t *testing.T) {
	dir, _ := recordedDays(t, 2, 1)
	config, data, backup := filepath.Join(dir, "coilward.yaml"), filepath.Join(dir, "data"), filepath.Join(dir, "b")
	older := filepath.Join(dir, "older")
	typedOK(t, "backup", "--config", config, older)
	sent, err := openLinks(data)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 14, 6, 0, 0, 0, time.UTC)
	token := sent.StopToken(notify.StopGrant{Tech: "ada", Stop: "north", Until: now.Add(12 * time.Hour).Unix()})
	typedOK(t, "backup", "--config", config, backup)
	for i, c := range []struct {
		from string
		good bool
	}{{backup, true}, {older, false}} {
		restored := filepath.Join(dir, "r"+strconv.Itoa(i))
		typedOK(t, "restore", c.from, "--data", restored)
		links, err := openLinks(restored)
		if err != nil {
			t.Fatal(err)
		}
		g, err := links.VerifyStop(token, now)
		if c.good != (err == nil) || c.good && g.Tech != "ada" {
			t.Errorf("%s: %+v %v", c.from, g, err)
		}
		info, err := os.Stat(filepath.Join(restored, linksFile))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: the key is %v to read: %v", c.from, info.Mode(), err)
		}
	}
}

// A folder that an import alone has made is whole without alerts; one that a daemon
// has used is not.
func TestVerifyWithoutADaemon(t *testing.T) {
	dir, _ := recordedDays(t, 2, 1)
	data := filepath.Join(dir, "data")
	if out := typedOK(t, "verify", "--data", data); !strings.Contains(out, "all is well") {
		t.Errorf("verify: %s", out)
	}
	if _, err := openLinks(data); err != nil {
		t.Fatal(err)
	}
	if problem := typedBad(t, "verify", "--data", data); !strings.Contains(problem, "alerts are missing") {
		t.Errorf("verify: %s", problem)
	}
}

// What is damaged in a backup is found, and it is not restored.
func TestBackupDamaged(t *testing.T) {
	dir, _ := recordedDays(t, 2, 1)
	config, backup := filepath.Join(dir, "coilward.yaml"), filepath.Join(dir, "b")
	data := filepath.Join(dir, "data")
	if _, err := openLinks(data); err != nil {
		t.Fatal(err)
	}
	if err := daysOf(data).Put(&shard.Snapshot{At: 20_000 * shard.Day}); err != nil {
		t.Fatal(err)
	}
	typedOK(t, "backup", "--config", config, backup)
	if problem := typedBad(t, "backup", "--config", config, backup); !strings.Contains(problem, "exists already") {
		t.Errorf("backed up over a backup: %s", problem)
	}
	typedOK(t, "verify", "--data", backup)
	for _, c := range []struct{ pattern, want string }{
		{"history/blocks/*.sst", "cannot all be read"},
		{"alerts.sqlite", ""},
		{"links.key", "not as it was backed up"},
		{"config/fleet.yaml", "not as it was backed up"},
		{"models/*.models", "let models learn anew"},
	} {
		names, err := filepath.Glob(filepath.Join(backup, c.pattern))
		if err != nil || len(names) == 0 {
			t.Fatalf("no %s: %v", c.pattern, err)
		}
		// The largest: of the database, one that holds readings.
		slices.SortFunc(names, func(a, b string) int {
			x, errX := os.Stat(a)
			y, errY := os.Stat(b)
			if errX != nil || errY != nil {
				t.Fatal(errX, errY)
			}
			return int(y.Size() - x.Size())
		})
		good, err := os.ReadFile(names[0])
		if err != nil {
			t.Fatal(err)
		}
		bad := bytes.Clone(good)
		for i := len(bad) / 3; i < len(bad)/3+64 && i < len(bad); i++ {
			bad[i] ^= 0x5a
		}
		replace := func(text []byte) {
			if err := os.Remove(names[0]); err != nil { // it may be linked with the original
				t.Fatal(err)
			}
			if err := os.WriteFile(names[0], text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		replace(bad)
		if problem := typedBad(t, "verify", "--data", backup); !strings.Contains(problem, c.want) {
			t.Errorf("%s: %s", c.pattern, problem)
		}
		typedBad(t, "restore", backup, "--data", filepath.Join(dir, "r"))
		if _, err := os.Stat(filepath.Join(dir, "r")); err == nil {
			t.Errorf("%s: a damaged backup was restored", c.pattern)
		}
		replace(good)
	}
	typedOK(t, "restore", backup, "--data", filepath.Join(dir, "r"))
	if err := os.Remove(filepath.Join(backup, manifestFile)); err != nil {
		t.Fatal(err)
	}
	if problem := typedBad(t, "restore", backup, "--data", filepath.Join(dir, "r2")); !strings.Contains(problem, "no backup") {
		t.Errorf("restored without a manifest: %s", problem)
	}
}
