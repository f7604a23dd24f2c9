package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/simulate"
)

// invented is a small simulated fleet in which most machines are in trouble.
func invented(t *testing.T, machines, days int) (*simulate.Fleet, *fleet.Fleet) {
	t.Helper()
	o := simulate.DefaultOptions()
	o.Seed, o.Machines, o.Days, o.FaultShare, o.Interval, o.Start = 11, machines, days, 1, 120, time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	sim, err := simulate.NewFleet(o)
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse("fleet.yaml", []byte(sim.YAML()))
	if err != nil {
		t.Fatal(err)
	}
	return sim, f
}

// live is a daemon under test, its cabinets and its clock.
type live struct {
	d     *daemon
	clock *fastClock
	links links
	board string // its address
	stop  func()
	mute  func(machine string) bool // whose messages are not sent; may be nil
}

// startLive starts a daemon on the embedded broker.
func startLive(t testing.TB, dir string, f *fleet.Fleet, at time.Time, change ...func(*config)) *live {
	t.Helper()
	c := defaults()
	c.DataDir, c.hasBroker, c.FleetFile = dir, true, filepath.Join(dir, "fleet.yaml")
	c.Broker.Listen, c.Board.Listen, c.gather = "127.0.0.1:0", "127.0.0.1:0", 200*time.Microsecond
	for _, change := range change {
		change(&c)
	}
	clock := newFastClock(at, time.Now)
	ctx, cancel := context.WithCancel(context.Background())
	d, err := newDaemon(ctx, &c, f, clock, zerolog.New(os.Stderr).Level(zerolog.ErrorLevel)) // a daemon that cannot keep something tries for ever, and says so
	if err != nil {
		t.Fatal(err)
	}
	ready, opened, ended := make(chan struct{}, 1), make(chan string, 1), make(chan error, 1)
	d.ready, d.opened = func() { ready <- struct{}{} }, func(address string) { opened <- address }
	go func() { ended <- d.run(ctx) }()
	l := &live{d: d, clock: clock}
	for range 2 {
		select {
		case <-ready:
		case l.board = <-opened:
		case err := <-ended:
			t.Fatalf("the daemon ended: %v", err)
		case <-time.After(longest):
			t.Fatalf("the daemon does not begin\n%s", standing())
		}
	}
	for i := range 16 {
		client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + d.broker.Addresses()["tcp"]).
			SetClientID(fmt.Sprintf("link-%d", i)).SetAutoReconnect(false).SetOrderMatters(false).SetKeepAlive(2 * time.Minute).SetPingTimeout(time.Minute))
		if tok := client.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatalf("connect: %v", tok.Error())
		}
		l.links = append(l.links, client)
	}
	l.stop = func() {
		l.links.close()
		cancel()
		within(t, "the daemon ends", func(context.Context) error { return <-ended })
	}
	return l
}

// longest is for how long a daemon may take over one thing, beside the tests of
// other packages.
const longest = 3 * time.Minute

// within fails the test unless do, which may hang for ever, ends in time without an
// error. What the program's goroutines wait for is said then.
func within(t testing.TB, what string, do func(ctx context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), longest)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- do(ctx) }()
	select {
	case err := <-done:
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	case <-ctx.Done():
		t.Fatalf("waited %v in vain: %s\n%s", longest, what, standing())
	}
}

// standing is a line for each goroutine of the program's own: its state and the
// functions of ours that it is in, the innermost first.
func standing() string {
	all := make([]byte, 8<<20)
	all = all[:runtime.Stack(all, true)]
	var lines []string
	for one := range strings.SplitSeq(string(all), "\n\n") {
		head, calls, _ := strings.Cut(one, "\n")
		var ours []string
		for call := range strings.SplitSeq(calls, "\n") {
			if name, ok := strings.CutPrefix(call, "coilward/"); ok {
				ours = append(ours, name[:max(strings.LastIndexByte(name, '('), 0)])
			}
		}
		if len(ours) > 0 {
			lines = append(lines, head+" "+strings.Join(ours, " < "))
		}
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// play lets the cabinets live for a while, in steps, and the daemon's time with
// them.
func (l *live) play(t *testing.T, sim *simulate.Fleet, d time.Duration) {
	t.Helper()
	// Some steps end shortly before the models are saved, so that readings wait in
	// the order window then.
	const every, before = 4 * time.Minute, 5 * time.Second
	for until := sim.Now().Add(d); sim.Now().Before(until); {
		next := sim.Now().Add(before).Truncate(every).Add(every - before)
		if next.After(until) {
			next = until
		}
		messages := sim.Advance(next.Sub(sim.Now()))
		if l.mute != nil {
			messages = slices.DeleteFunc(messages, func(m simulate.Message) bool { return l.mute(m.Machine) })
		}
		l.clock.Set(sim.Now())
		// A machine's messages keep to one link, and so their order.
		within(t, "messages are acknowledged", func(ctx context.Context) error {
			err := l.links.publish(ctx, messages, func(_ int, m *simulate.Message) int { return linkOf(m) })
			return errors.Join(err, ctx.Err())
		})
	}
	// Everything is on disk; let its epochs end.
	end := collector.MillisOf(sim.Now())
	within(t, "what was acknowledged is with the models", func(ctx context.Context) error {
		if err := l.d.gate.pass(ctx, end); err != nil {
			return err
		}
		l.d.feeding.Lock()
		defer l.d.feeding.Unlock()
		l.d.pipe.models.Tick(end)
		return l.d.pipe.models.Flush(ctx)
	})
}

// reported returns the report lines in the ledger of a daemon that has ended.
func reported(t *testing.T, dir string, f *fleet.Fleet) []string {
	t.Helper()
	l, err := openLedger(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var lines []string
	for m := range f.All {
		raw, err := l.Reports(t.Context(), m.ID, 0, 1<<62)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range raw {
			lines = append(lines, string(r))
		}
	}
	slices.Sort(lines)
	return lines
}

// replayed returns what a replay of the history says, sorted likewise.
func replayed(t *testing.T, dir string, f *fleet.Fleet, shards int, from, to time.Time) []string {
	t.Helper()
	var out bytes.Buffer
	r := &replay{fleet: f, out: bufio.NewWriter(&out), errors: io.Discard, shards: shards, upTo: collector.MillisOf(to)}
	if err := r.stored(t.Context(), filepath.Join(dir, "history"), collector.MillisOf(from), collector.MillisOf(to)+1); err != nil {
		t.Fatal(err)
	}
	if err := r.out.Flush(); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
	slices.Sort(lines)
	return lines
}

func same(t *testing.T, what string, got, want []string) {
	t.Helper()
	if len(want) < 5 {
		t.Fatalf("%s: only %d lines: the fleet shows nothing", what, len(want))
	}
	if slices.Equal(got, want) {
		return
	}
	t.Errorf("%s: %d lines, want %d", what, len(got), len(want))
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Fatalf("first difference:\n got %s\nwant %s", got[i], want[i])
		}
	}
}

// What the daemon says of a day is what a replay of that day's history says, and
// being stopped in the middle of it changes nothing.
func TestLiveEqualsReplay(t *testing.T) {
	const machines, days = 8, 2
	sim, f := invented(t, machines, days)
	begin, end := sim.Now(), sim.Now().Add(days*24*time.Hour)

	whole := t.TempDir()
	l := startLive(t, whole, f, begin)
	l.play(t, sim, days*24*time.Hour)
	l.stop()
	said := reported(t, whole, f)
	same(t, "replay of the whole run", replayed(t, whole, f, 1, begin, end), said)
	same(t, "replay in three shards", replayed(t, whole, f, 3, begin, end), said)

	parts := t.TempDir()
	sim, f = invented(t, machines, days)
	for _, d := range []time.Duration{23*time.Hour + 3*time.Minute + 55*time.Second, 13*time.Hour + 8*time.Minute, 11*time.Hour + 48*time.Minute + 5*time.Second} {
		l := startLive(t, parts, f, sim.Now())
		l.play(t, sim, d)
		l.stop()
	}
	same(t, "run with two restarts", reported(t, parts, f), said)
	same(t, "its replay", replayed(t, parts, f, 2, begin, end), said)

	// A stored day alone.
	from := begin.Add(24 * time.Hour)
	var day []string
	for _, line := range said {
		if at, _, _ := strings.Cut(strings.TrimPrefix(line, `{"at":"`), `"`); at >= from.Format(time.RFC3339) {
			day = append(day, line)
		}
	}
	same(t, "replay of the second day", replayed(t, whole, f, 2, from, end), day)
}
