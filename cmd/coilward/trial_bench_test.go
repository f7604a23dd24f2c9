package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"coilward/alerts/board"
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

// BenchmarkIngestBesideTrial measures how long a machine waits until its message is
// acknowledged, which is when it is on disk: in turns while nothing else is done
// and while a trial runs. It reports the medians over the turns of the 99th
// percentiles and their ratio, which what else goes on on the computer moves least.
func BenchmarkIngestBesideTrial(b *testing.B) {
	dir, sim := recordedFleet(b, 30, 10, 60)
	conf, err := readConfig(filepath.Join(dir, "coilward.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	conf.Broker.Listen, conf.Board.Listen = "127.0.0.1:0", "127.0.0.1:0"
	f, err := parseFleet(conf.FleetFile)
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	clock := newFastClock(sim.Now(), time.Now)
	clock.Go(1)
	d, err := newDaemon(ctx, conf, f, clock, zerolog.Nop())
	if err != nil {
		b.Fatal(err)
	}
	if d.trials.program, err = exec.LookPath("coilward"); err != nil {
		b.Fatal(err)
	}
	ready, ended := make(chan struct{}), make(chan error, 1)
	d.ready = func() { close(ready) }
	go func() { ended <- d.run(ctx) }()
	defer func() { cancel(); <-ended }()
	select {
	case <-ready:
	case err := <-ended:
		b.Fatal(err)
	}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + d.broker.Addresses()["tcp"]).SetClientID("bench").SetAutoReconnect(false))
	if t := client.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		b.Fatal(t.Error())
	}
	defer client.Disconnect(0)

	o, err := fleet.ParseOverrides("settings", []byte(lax))
	if err != nil {
		b.Fatal(err)
	}
	var machines []*fleet.Machine
	for m := range f.All {
		machines = append(machines, m)
	}
	n := 0
	// block sends a message every 5 ms and returns how long each waited.
	block := func(long time.Duration) (waits []time.Duration) {
		pace := time.NewTicker(5 * time.Millisecond)
		defer pace.Stop()
		for end := time.Now().Add(long); time.Now().Before(end); <-pace.C {
			m := machines[n%len(machines)]
			n++
			at := float64(clock.Now().UnixMilli()) / 1000
			payload := fmt.Sprintf(`[{"bt":%.3f,"n":"cabinet_air","u":"Cel","v":3.4},{"n":"coil_out","u":"Cel","v":-7.9},{"n":"compressor_current","u":"A","v":2.9}]`, at)
			from := time.Now()
			t := client.Publish("cabinets/"+m.Site+"/"+m.ID+"/readings", 1, false, payload)
			t.Wait()
			if t.Error() != nil {
				b.Fatal(t.Error())
			}
			waits = append(waits, time.Since(from))
		}
		return waits
	}
	p := func(waits []time.Duration, share float64) float64 {
		slices.Sort(waits)
		return float64(waits[int(share*float64(len(waits)-1))]) / float64(time.Millisecond)
	}
	median := func(x []float64) float64 {
		slices.Sort(x)
		return x[len(x)/2]
	}
	block(2 * time.Second)
	var half, most [2][]float64 // 50th and 99th percentiles of the turns
	turn := func(i int) {
		waits := block(5 * time.Second)
		half[i], most[i] = append(half[i], p(waits, 0.5)), append(most[i], p(waits, 0.99))
	}
	for b.Loop() {
		turn(0)
		id, err := d.trials.Start(board.TrialOrder{State: o, Days: 10, Suggest: 1}) // long enough to measure beside it
		if err != nil {
			b.Fatal(err)
		}
		for { // it copies the history first
			if run, _ := d.trials.Run(id); run.Done > 0 || !run.Ended.IsZero() {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		turn(1)
		run, _ := d.trials.Run(id)
		if !run.Ended.IsZero() {
			b.Fatalf("the trial was over too soon to measure beside it: %+v", run)
		}
		d.trials.Cancel(id)
		time.Sleep(2 * time.Second) // its files go
	}
	b.ReportMetric(median(half[0]), "p50-quiet-ms")
	b.ReportMetric(median(half[1]), "p50-trial-ms")
	b.ReportMetric(median(most[0]), "p99-quiet-ms")
	b.ReportMetric(median(most[1]), "p99-trial-ms")
	b.ReportMetric(median(most[1])/median(most[0]), "p99-ratio")
	b.ReportMetric(0, "ns/op")
}
