package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"coilward/alerts"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/detect"
	"coilward/detect/shard"
)

// changedAt runs the whole history as a daemon does, which keeps its models each day,
// and changes the settings at a time, if that is not 0. It returns the lines of
// findings from a time on.
func changedAt(t *testing.T, dir string, now, with *fleet.Fleet, at, from, to collector.Millis, keep shard.Days) string {
	t.Helper()
	store, err := history.Open(history.Options{Dir: filepath.Join(dir, "data", "history"), ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var out bytes.Buffer
	queue := alerts.New(alerts.Options{Fleet: now})
	desk := deskOf(queue, func(c *alerts.Change) error {
		if c.Report == nil || c.At < from || c.At >= to {
			return nil
		}
		return json.NewEncoder(&out).Encode(c.Report)
	})
	changed := false
	pipe := newPipeline(pipelineOptions{Fleet: now, Shards: 2, SnapshotEvery: 24 * time.Hour,
		Beside: queue.Snapshot, Snapshot: keep.Put,
		Said: func(ctx context.Context, upTo collector.Millis, findings []detect.Finding) error {
			if at != 0 && upTo > at && !changed {
				queue.Advance(at)
				queue.SetFleet(with)
				changed = true
			}
			return desk(ctx, upTo, findings)
		}})
	g, ctx := errgroup.WithContext(t.Context())
	g.Go(func() error { return pipe.models.Run(ctx) })
	g.Go(func() error {
		defer pipe.models.Close()
		set := false
		err := store.Since(ctx, 0, func(e *history.Entry) error {
			if at != 0 && e.Received >= at && !set {
				pipe.models.Tick(at)
				if err := pipe.models.Flush(ctx); err != nil {
					return err
				}
				pipe.models.SetFleet(with)
				set = true
			}
			pipe.models.Feed(e.Seq, &e.Reading)
			if pipe.models.Waiting() < 512 {
				return nil
			}
			return pipe.models.Flush(ctx)
		})
		pipe.models.Tick(to)
		return errors.Join(err, pipe.models.Flush(ctx))
	})
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	if keep.Dir != "" && at != 0 && !changed {
		t.Fatal("nothing was changed")
	}
	return out.String()
}

// A trial that goes on from the models of a day says, byte for byte, what a daemon
// says that has watched from the beginning: with the settings in use, and with the
// change made on that day.
func TestTrialFromADaysModels(t *testing.T) {
	dir, sim := recordedDays(t, 14, 4)
	end := collector.MillisOf(sim.end)
	from := end.Add(-24 * time.Hour)
	kept := daysOf(filepath.Join(dir, "data"))
	now, err := parseFleet(filepath.Join(dir, "fleet.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	with, err := parseFleet(careless(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	wantNow := changedAt(t, dir, now, nil, 0, from, end, kept)
	day := shard.Floor(from.Add(-runUp))
	day -= day % shard.Day
	wantWith := changedAt(t, dir, now, with, day, from, end, shard.Days{Dir: t.TempDir()})

	args := []string{"--config", filepath.Join(dir, "coilward.yaml"), "--fleet", filepath.Join(dir, "proposed.yaml"), "--days", "1",
		"--to", sim.end.Format(time.RFC3339Nano), "--findings", dir}
	var begun struct {
		Models  time.Time `json:"models_of"`
		Learned time.Time `json:"learned_since"`
		Why     string    `json:"why_learned"`
	}
	try := func() {
		t.Helper()
		begun.Models, begun.Learned, begun.Why = time.Time{}, time.Time{}, ""
		out := typedOK(t, append([]string{"trial", "--json", "--share", "1"}, args...)...)
		if err := json.Unmarshal([]byte(out), &begun); err != nil {
			t.Fatal(err)
		}
	}
	try()
	if !begun.Models.Equal(day.Time()) {
		t.Fatalf("it begins with the models of %s, want %s", begun.Models, day.Time())
	}
	for name, want := range map[string]string{"now.ndjson": wantNow, "with.ndjson": wantWith} {
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if string(got) != want || want == "" {
			t.Errorf("%s: %s", name, firstDifference(string(got), want))
		}
	}
	if wantNow == wantWith {
		t.Error("the change shows in no finding: this tests little")
	}

	// Of one machine, its site alone is replayed, and says the same.
	var first struct{ Machine, Site string }
	if err := json.Unmarshal([]byte(wantWith[:strings.Index(wantWith, "\n")]), &first); err != nil {
		t.Fatal(err)
	}
	typedOK(t, append([]string{"trial", "--json", "--share", "1", "--machine", first.Machine}, args...)...)
	ofSite := ""
	for line := range strings.Lines(wantWith) {
		if strings.Contains(line, `"site":"`+first.Site+`"`) {
			ofSite += line
		}
	}
	if got, err := os.ReadFile(filepath.Join(dir, "with.ndjson")); err != nil || string(got) != ofSite || ofSite == wantWith {
		t.Errorf("one site alone: %v %s", err, firstDifference(string(got), ofSite))
	}

	// What cannot be used is passed over for the day before, then said; and all can be
	// learned anew.
	spoil := func(at collector.Millis) {
		t.Helper()
		if err := os.WriteFile(kept.File(at), []byte("no models"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	spoil(day)
	if try(); !begun.Models.Equal((day - shard.Day).Time()) {
		t.Errorf("with a damaged day it begins with %+v", begun)
	}
	all, err := kept.List()
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range all {
		spoil(at)
	}
	if try(); !begun.Models.IsZero() || begun.Learned.IsZero() || !strings.Contains(begun.Why, "cannot be used") {
		t.Errorf("with all days damaged it begins with %+v", begun)
	}
	if text := typedOK(t, append([]string{"trial"}, args...)...); !strings.Contains(text, "have learned since") || !strings.Contains(text, "cannot be used") {
		t.Errorf("it does not say so: %s", text)
	}
	args = append(args, "--learn", "all")
	if try(); begun.Why != "" {
		t.Errorf("asked to learn from all it begins with %+v", begun)
	}
	var out bytes.Buffer
	r := &replay{fleet: with, out: bufio.NewWriter(&out), errors: io.Discard, upTo: end}
	if err := errors.Join(r.stored(t.Context(), filepath.Join(dir, "data", "history"), from, end), r.out.Flush()); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join(dir, "with.ndjson"))
	if err != nil || !bytes.Equal(got, out.Bytes()) {
		t.Errorf("learned from all: %v %s", err, firstDifference(string(got), out.String()))
	}
}

// firstDifference tells where lines begin to differ.
func firstDifference(got, want string) string {
	a, b := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return "got " + a[i] + "\nwant " + b[i]
		}
	}
	return "got more or fewer lines: " + strings.Join(a[min(len(a), len(b)):], "\n") + "\nwant " + strings.Join(b[min(len(a), len(b)):], "\n")
}
