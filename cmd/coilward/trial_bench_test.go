package main

import (
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/trial"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/simulate"
)

// recordedFleet makes a data folder with days of a simulated fleet.
func recordedFleet(b *testing.B, machines, days int, interval float64) (dir string, sim *simulate.Fleet) {
	b.Helper()
	dir = b.TempDir()
	o := simulate.DefaultOptions()
	o.Seed, o.Machines, o.Days, o.FaultShare, o.Interval, o.Start = 23, machines, days, 0.3, interval, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	sim, err := simulate.NewFleet(o)
	if err != nil {
		b.Fatal(err)
	}
	f, err := fleet.Parse("fleet.yaml", []byte(sim.YAML()))
	if err != nil {
		b.Fatal(err)
	}
	for name, text := range map[string]string{"fleet.yaml": sim.YAML(), "coilward.yaml": "data_dir: data\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	store, err := history.Open(history.Options{Dir: filepath.Join(dir, "data", "history"), Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	fill(b, store, sim, f, time.Duration(days)*24*time.Hour)
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
	return dir, sim
}

// BenchmarkTrial is a trial of 100 machines over 30 days of a reading a minute, as
// the board runs it: two runs, on half of the processors.
func BenchmarkTrial(b *testing.B) {
	dir, _ := recordedFleet(b, 100, 30, 60)
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
		p := &player{store: store, fleets: [][]*fleet.Fleet{{f}, {with}}, shards: processors}
		if p.from, p.to, err = stretchOf(store, time.Time{}, days(30)); err != nil {
			b.Fatal(err)
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
