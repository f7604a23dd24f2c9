package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"coilward/alerts/board"
	"coilward/collector/fleet"
)

// BenchmarkIngestBesideTrial measures how long a machine waits until its message is
// acknowledged, which is when it is on disk, while a trial runs and while it does
// not. An operation is three turns of a second, in random order: the trial goes on in
// one of them and is stopped in the two others. What else goes on on the computer
// comes and goes in longer stretches and meets all three alike; how far the two
// stopped turns differ says what the figures are worth. The ratios are of the
// percentiles over all turns of a kind, with the 5th and 95th percentile of what
// comes out when the operations are drawn again with replacement (bootstrap).
func BenchmarkIngestBesideTrial(b *testing.B) {
	dir, end := recordedFleet(b, 30, 10, 60)
	in := besideTrial(b, dir, end)
	in.turn(2 * time.Second)       // until everything is warm
	var kinds [3][][]time.Duration // stopped, going on, stopped; a turn each
	var used, on time.Duration     // by the trial, of the time that it went on
	for b.Loop() {
		child := in.trial()
		for _, kind := range rand.Perm(len(kinds)) {
			signal := syscall.SIGSTOP
			if kind == 1 {
				signal = syscall.SIGCONT
			}
			if err := syscall.Kill(child, signal); err != nil {
				b.Fatalf("the trial was over too soon to measure beside it: %v", err)
			}
			before, from := cpuOf(b, child), time.Now()
			kinds[kind] = append(kinds[kind], in.turn(time.Second))
			if kind == 1 {
				used, on = used+cpuOf(b, child)-before, on+time.Since(from)
			}
		}
		if err := syscall.Kill(child, syscall.SIGSTOP); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(used)/float64(on), "trial-processors")
	ms := func(kind int, share float64) float64 {
		return float64(percentile(pool(kinds[kind]), share)) / float64(time.Millisecond)
	}
	b.ReportMetric(ms(0, 0.5), "p50-quiet-ms")
	b.ReportMetric(ms(1, 0.5), "p50-trial-ms")
	b.ReportMetric(ms(0, 0.99), "p99-quiet-ms")
	b.ReportMetric(ms(1, 0.99), "p99-trial-ms")
	for name, of := range map[string]struct {
		over, under []int
		share       float64
	}{
		"p50-ratio": {[]int{1}, []int{0, 2}, 0.5}, "p99-ratio": {[]int{1}, []int{0, 2}, 0.99},
		"p99-quiet-ratio": {[]int{2}, []int{0}, 0.99},
	} {
		ratio := func(turns []int) float64 {
			some := func(of []int) (all [][]time.Duration) {
				for _, kind := range of {
					for _, n := range turns {
						all = append(all, kinds[kind][n])
					}
				}
				return all
			}
			return float64(percentile(pool(some(of.over)), of.share)) / float64(percentile(pool(some(of.under)), of.share))
		}
		n := len(kinds[0])
		all := make([]int, n)
		for i := range all {
			all[i] = i
		}
		b.ReportMetric(ratio(all), name)
		var drawn []float64
		for range 400 {
			some := make([]int, n)
			for i := range some {
				some[i] = rand.IntN(n)
			}
			drawn = append(drawn, ratio(some))
		}
		slices.Sort(drawn)
		b.ReportMetric(drawn[len(drawn)/20], name+"-5%")
		b.ReportMetric(drawn[len(drawn)*19/20], name+"-95%")
	}
}

func pool(turns [][]time.Duration) []time.Duration {
	all := slices.Concat(turns...)
	slices.Sort(all)
	return all
}

// percentile is of what is sorted.
func percentile(waits []time.Duration, share float64) time.Duration {
	return waits[int(share*float64(len(waits)-1))]
}

// besider is a daemon that takes messages, and its trials.
type besider struct {
	b        *testing.B
	d        *daemon
	clock    *fastClock
	client   paho.Client
	machines []*fleet.Machine
	order    board.TrialOrder
	sent     int
	under    string // the trial under way
}

func besideTrial(b *testing.B, dir string, end time.Time) *besider {
	b.Helper()
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
	clock := newFastClock(end, time.Now)
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
	b.Cleanup(func() { cancel(); <-ended })
	select {
	case <-ready:
	case err := <-ended:
		b.Fatal(err)
	}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + d.broker.Addresses()["tcp"]).SetClientID("bench").SetAutoReconnect(false))
	if t := client.Connect(); !t.WaitTimeout(10*time.Second) || t.Error() != nil {
		b.Fatal(t.Error())
	}
	b.Cleanup(func() { client.Disconnect(0) })
	o, err := fleet.ParseOverrides("settings", []byte(lax))
	if err != nil {
		b.Fatal(err)
	}
	in := &besider{b: b, d: d, clock: clock, client: client, order: board.TrialOrder{State: o, Days: 10, Suggest: 1}} // long enough to measure beside it
	for m := range f.All {
		in.machines = append(in.machines, m)
	}
	return in
}

// turn sends a message every 5 ms and returns how long each waited.
func (in *besider) turn(long time.Duration) (waits []time.Duration) {
	pace := time.NewTicker(5 * time.Millisecond)
	defer pace.Stop()
	for end := time.Now().Add(long); time.Now().Before(end); <-pace.C {
		m := in.machines[in.sent%len(in.machines)]
		in.sent++
		at := float64(in.clock.Now().UnixMilli()) / 1000
		payload := fmt.Sprintf(`[{"bt":%.3f,"n":"cabinet_air","u":"Cel","v":3.4},{"n":"coil_out","u":"Cel","v":-7.9},{"n":"compressor_current","u":"A","v":2.9}]`, at)
		from := time.Now()
		t := in.client.Publish("cabinets/"+m.Site+"/"+m.ID+"/readings", 1, false, payload)
		t.Wait()
		if t.Error() != nil {
			in.b.Fatal(t.Error())
		}
		waits = append(waits, time.Since(from))
	}
	return waits
}

// trial returns the process of the trial under way, after it has begun to replay;
// it begins another if that is nearly over.
func (in *besider) trial() (pid int) {
	if run, ok := in.d.trials.Run(in.under); !ok || !run.Ended.IsZero() || run.Done > 0.9 {
		if ok {
			in.d.trials.Cancel(in.under)
		}
		for {
			id, err := in.d.trials.Start(in.order)
			if err == nil {
				in.under = id
				break
			}
			time.Sleep(10 * time.Millisecond) // the one before goes
		}
		for { // it copies the history first
			if run, _ := in.d.trials.Run(in.under); run.Done > 0 {
				break
			} else if !run.Ended.IsZero() {
				in.b.Fatalf("the trial is over: %+v", run)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	return childOf(in.b, os.Getpid())
}

// cpuOf is the processor time that a process has used.
func cpuOf(b *testing.B, pid int) time.Duration {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatalf("the trial was over too soon to measure beside it: %v", err)
	}
	// proc_pid_stat(5): utime and stime are the 12th and 13th after the name, in
	// ticks of 10 ms.
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	var ticks int64
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

// childOf finds the one process that another has started.
func childOf(b *testing.B, parent int) int {
	b.Helper()
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		b.Fatal(err)
	}
	for _, name := range all {
		text, err := os.ReadFile(name)
		if err != nil {
			continue // it is gone
		}
		// proc_pid_stat(5): pid (name) state parent …
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) && fields[0] != "Z" {
			pid, err := strconv.Atoi(filepath.Base(filepath.Dir(name)))
			if err != nil {
				b.Fatal(err)
			}
			return pid
		}
	}
	b.Fatal("no trial is under way")
	return 0
}
