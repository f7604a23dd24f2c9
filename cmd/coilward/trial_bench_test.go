package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/simulate"
	"coilward/detect"
)

// recordedFleet makes a data folder with days of a simulated fleet. Simulating them
// takes minutes, so they are kept among the temporary files for the next time, by what
// the fleet is and what it says in its first hours; what is returned is a copy, of
// links where the disk has them.
func recordedFleet(b *testing.B, machines, days int, interval float64) (dir string, end time.Time) {
	b.Helper()
	o := simulate.DefaultOptions()
	o.NoTruth = true
	o.Seed, o.Machines, o.Days, o.FaultShare, o.Interval, o.Start = 23, machines, days, 0.3, interval, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	fresh := func() *simulate.Fleet {
		sim, err := simulate.NewFleet(o)
		if err != nil {
			b.Fatal(err)
		}
		return sim
	}
	sum := sha256.New()
	layout, err := detect.NewMachine(new(fleet.Machine), detect.NewLibrary()).AppendBinary(nil)
	if err != nil {
		b.Fatal(err)
	}
	fmt.Fprintln(sum, layout[:8], days, interval, fresh().YAML())
	for _, m := range fresh().Advance(6 * time.Hour) {
		fmt.Fprintln(sum, m.Received, m.Topic, string(m.Payload))
	}
	kept := filepath.Join(os.TempDir(), fmt.Sprintf("coilward-bench-%x", sum.Sum(nil)[:8]))
	if _, err := os.Stat(kept); err != nil {
		part, err := os.MkdirTemp(os.TempDir(), "coilward-bench-part-")
		if err != nil {
			b.Fatal(err)
		}
		defer os.RemoveAll(part)
		recordFleet(b, part, fresh(), days)
		if err := os.Rename(part, kept); err != nil && !errors.Is(err, fs.ErrExist) {
			b.Fatal(err)
		}
	}
	dir = filepath.Join(b.TempDir(), "fleet")
	for _, name := range []string{"fleet.yaml", "coilward.yaml"} {
		if err := os.MkdirAll(filepath.Join(dir, "data"), 0o750); err != nil {
			b.Fatal(err)
		}
		if err := copyFile(filepath.Join(kept, name), filepath.Join(dir, name)); err != nil {
			b.Fatal(err)
		}
	}
	store, err := history.Open(history.Options{Dir: filepath.Join(kept, "data", "history"), Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(store.Backup(filepath.Join(dir, "data", "history")), store.Close(), copyDays(filepath.Join(kept, "data"), filepath.Join(dir, "data"), linkFile)); err != nil {
		b.Fatal(err)
	}
	return dir, o.Start.Add(time.Duration(days) * 24 * time.Hour)
}

// recordFleet makes the data folder, with the models of its midnights.
func recordFleet(b *testing.B, dir string, sim *simulate.Fleet, days int) {
	b.Helper()
	f, err := fleet.Parse("fleet.yaml", []byte(sim.YAML()))
	if err != nil {
		b.Fatal(err)
	}
	for name, text := range map[string]string{"fleet.yaml": sim.YAML(), "coilward.yaml": "data_dir: data\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	data := filepath.Join(dir, "data")
	store, err := history.Open(history.Options{Dir: filepath.Join(data, "history"), Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	fill(b, store, sim, f, time.Duration(days)*24*time.Hour)
	untouched := newUntouched(f)
	pipe := newPipeline(pipelineOptions{
		Fleet: f, SnapshotEvery: 24 * time.Hour,
		Beside: untouched.snapshot, Snapshot: daysOf(data).Put,
		Failed: func(err error) { b.Error(err) },
		Said: func(_ context.Context, upTo collector.Millis, findings []detect.Finding) error {
			untouched.take(upTo, findings)
			return nil
		},
	})
	g, ctx := errgroup.WithContext(b.Context())
	g.Go(func() error { return pipe.models.Run(ctx) })
	g.Go(func() error {
		defer pipe.models.Close()
		return pipe.models.Recover(ctx, func(ctx context.Context, after uint64, each func(uint64, *collector.Reading) error) error {
			return store.Since(ctx, after, func(e *history.Entry) error { return each(e.Seq, &e.Reading) })
		})
	})
	if err := errors.Join(g.Wait(), store.Close()); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkTrial is a trial of 100 machines over the last 30 days of a reading a
// minute, as the board runs it: two runs, on its share of the processors, once where
// nothing was before these days and once with more stored than is tried.
func BenchmarkTrial(b *testing.B) {
	for _, stored := range []int{30, 40} {
		b.Run(fmt.Sprintf("stored=%dd", stored), func(b *testing.B) { benchmarkTrial(b, stored) })
	}
}

func benchmarkTrial(b *testing.B, stored int) {
	dir, end := recordedFleet(b, 100, stored, 60)
	store, err := history.Open(history.Options{Dir: filepath.Join(dir, "data", "history"), ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	f, err := parseFleet(filepath.Join(dir, "fleet.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	o, err := fleet.ParseOverrides("settings", []byte(lax))
	if err != nil {
		b.Fatal(err)
	}
	with, err := f.With(o, nil)
	if err != nil {
		b.Fatal(err)
	}
	processors := max(1, int(trialShare*float64(runtime.NumCPU())))
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(processors))
	b.ReportAllocs()
	var before, after syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &before); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		p := &player{store: store, base: f, fleets: [][]*fleet.Fleet{{f}, {with}}, shards: processors}
		if p.from, p.to, err = stretchOf(store, end, days(30)); err != nil {
			b.Fatal(err)
		}
		if p.learn, err = learnBefore(p.from, firstReceived(store), "day", daysOf(filepath.Join(dir, "data"))); err != nil || (p.learn.snap != nil) != (stored > 30) {
			b.Fatal(err, p.learn.why)
		}
		r, err := trial.Run(b.Context(), trial.Options{From: p.from, To: p.to, Fleet: f.Len(), Play: p.play})
		if err != nil || len(r.Differ) == 0 {
			b.Fatal(err, len(r.Differ))
		}
	}
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &after); err != nil {
		b.Fatal(err)
	}
	spent := func(r *syscall.Rusage) float64 {
		return time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
	}
	b.ReportMetric((spent(&after)-spent(&before))/float64(b.N), "cpu-s/op")
}
