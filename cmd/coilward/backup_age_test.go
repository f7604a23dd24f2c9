package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
)

// A backup taken while messages pour in and old days are being summed up passes
// the check, comes back, and holds all that was acknowledged before it, each
// reading in one form.
func TestBackupWhileOldDaysAreSummedUp(t *testing.T) {
	sim, f := invented(t, 8, 6)
	dir := t.TempDir()
	data, file := filepath.Join(dir, "d"), filepath.Join(dir, "coilward.yaml")
	for name, text := range map[string]string{file: "data_dir: d\n", filepath.Join(dir, "fleet.yaml"): sim.YAML()} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	store, err := history.Open(history.Options{Dir: filepath.Join(data, "history"), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	fill(t, store, sim, f, 5*24*time.Hour)
	if err := errors.Join(store.Settle(), store.Close()); err != nil {
		t.Fatal(err)
	}
	l := startLive(t, data, f, sim.Now(), func(c *config) { c.History.RetainDays = 1 })
	step := func() (more bool) {
		t.Helper()
		more, err := l.d.history.Compact(t.Context(), collector.MillisOf(sim.Now()))
		if err != nil {
			t.Fatal(err)
		}
		return more
	}
	for range 5 {
		if !step() {
			t.Fatal("nothing left to sum up after a few steps: this tests nothing")
		}
	}
	l.play(t, sim, 10*time.Minute)
	acknowledged := l.d.history.LastSeq()
	made, played := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(played)
		for {
			select {
			case <-made:
				return
			default:
				l.play(t, sim, 4*time.Minute)
			}
		}
	}()
	summed := make(chan struct{})
	go func() {
		defer close(summed)
		for more := true; more; {
			var err error
			if more, err = l.d.history.Compact(t.Context(), collector.MillisOf(l.clock.Now())); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	backup, restored := filepath.Join(dir, "b"), filepath.Join(dir, "r")
	typedOK(t, "backup", "--config", file, backup)
	close(made)
	<-played
	<-summed
	l.stop()
	for _, d := range []string{data, backup} {
		if out := typedOK(t, "verify", "--data", d); !strings.Contains(out, "all is well") || !strings.Contains(out, "quarter-hour summaries") {
			t.Errorf("verify %s: %s", d, out)
		}
	}
	typedOK(t, "restore", backup, "--data", restored)
	v, err := verify(t.Context(), restored)
	if err != nil || len(v.problems) > 0 {
		t.Fatal(err, v.problems)
	}
	// Numbers begin at 1, so what is in either form adds up to the last.
	if n := v.history.Readings + v.history.Summed; n != v.last || n < acknowledged {
		t.Errorf("%d readings and %d in summaries came back, to number %d; %d were acknowledged", v.history.Readings, v.history.Summed, v.last, acknowledged)
	}
	l = startLive(t, restored, f, sim.Now(), func(c *config) { c.History.RetainDays = 1 })
	if err := l.d.history.Retain(t.Context(), collector.MillisOf(sim.Now())); err != nil {
		t.Error(err)
	}
	l.stop()
	if v, err = verify(t.Context(), restored); err != nil || len(v.problems) > 0 || v.history.Readings+v.history.Summed != v.last {
		t.Errorf("after going on: %v %+v", err, v)
	}
}
