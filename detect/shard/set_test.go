package shard

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"go.uber.org/goleak"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// say feeds machines that are heard for a while and then not, in batches of a
// size, and returns what was said.
func say(t *testing.T, shards, batch int) []string {
	t.Helper()
	var said []string
	var last collector.Millis
	s := New(Options{Shards: shards, Said: func(_ context.Context, upTo collector.Millis, findings []detect.Finding) error {
		if upTo%Tick != 0 || upTo < last {
			return fmt.Errorf("the epoch ends at %d after %d", upTo, last)
		}
		last = upTo
		for _, f := range findings {
			said = append(said, fmt.Sprintln(f.At, f.Machine, f.ID, f.Seq, f.Change, f.Fault))
		}
		return nil
	}})
	done := make(chan error)
	go func() { done <- s.Run(t.Context()) }()
	const start = 1782864000000
	for minute := range collector.Millis(180) {
		for i := range collector.Millis(12) {
			if minute > 20+3*i && minute < 150 {
				continue
			}
			r := collector.Reading{Machine: fmt.Sprintf("cab-%04d", i), Site: "oakmill"}
			r.Received = start + minute*60_000 + i*1700
			r.At = r.Received - 300
			r.Has = r.Has.With(collector.CabinetAir)
			r.Value[collector.CabinetAir] = 3.5
			s.Feed(0, &r)
			if s.Waiting() >= batch {
				if err := s.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	s.End()
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return said
}

// What is said, and in which order, depends on the readings alone.
func TestShardsAndBatchesDoNotMatter(t *testing.T) {
	want := say(t, 1, 1)
	if len(want) < 12 {
		t.Fatalf("only %d findings", len(want))
	}
	for _, c := range [][2]int{{1, 1000}, {2, 7}, {5, 100}, {3, 1}} {
		if got := say(t, c[0], c[1]); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%d shards, batches of %d:\n%v\nwant\n%v", c[0], c[1], got, want)
		}
	}
}

func TestRunEndsWithTheErrorOfSaid(t *testing.T) {
	broken := errors.New("broken")
	s := New(Options{Shards: 2, Said: func(context.Context, collector.Millis, []detect.Finding) error { return broken }})
	done := make(chan error)
	go func() { done <- s.Run(t.Context()) }()
	s.Start(0)
	s.Tick(Tick)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; !errors.Is(err, broken) {
		t.Errorf("Run returned %v", err)
	}
	if _, _, err := s.View(t.Context(), "cab-0001"); !errors.Is(err, ErrStopped) {
		t.Errorf("View after the end: %v", err)
	}
}

// A fleet file read again takes machines along that nobody ever heard; those
// that were heard stay, as unlisted ones.
func TestFleetWithoutMachine(t *testing.T) {
	machines := func(ids ...string) *fleet.Fleet {
		text := "sites:\n  - id: oakmill\n    name: Oak Mill\n    timezone: America/New_York\n    machines:\n"
		for _, id := range ids {
			text += fmt.Sprintf("      - {id: %s, kind: glass-door, product: sealed-beverage}\n", id)
		}
		f, err := fleet.Parse("fleet.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	s := New(Options{Shards: 2, Fleet: machines("cab-0001", "cab-0002", "cab-0003"),
		Said: func(context.Context, collector.Millis, []detect.Finding) error { return nil }})
	done := make(chan error)
	go func() { done <- s.Run(t.Context()) }()
	const start = 1782864000000
	r := collector.Reading{Machine: "cab-0001", Site: "oakmill", Received: start, At: start - 300, Has: collector.ChannelSet(0).With(collector.CabinetAir)}
	s.Feed(0, &r)
	s.Tick(start + 6*60_000)
	s.SetFleet(machines("cab-0003"))
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	var ids []string
	s.Close()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	for _, k := range s.keepers {
		for _, m := range k.list {
			ids = append(ids, m.model.Spec().ID)
		}
	}
	slices.Sort(ids)
	if !slices.Equal(ids, []string{"cab-0001", "cab-0003"}) {
		t.Errorf("machines are %v", ids)
	}
}

// Whoever feeds may give up waiting, but not between two shards: what they say is put
// together batch by batch.
func TestFlushHandsToAllShardsOrNone(t *testing.T) {
	s := New(Options{Shards: 2, Queue: 1, Said: func(context.Context, collector.Millis, []detect.Finding) error { return nil }})
	s.Start(0)
	flush := func(ctx context.Context, tick collector.Millis) chan error {
		s.Tick(tick)
		done := make(chan error, 1)
		go func() { done <- s.Flush(ctx) }()
		return done
	}
	next := func(shard int, tick collector.Millis) {
		t.Helper()
		if b := <-s.queues[shard]; b.tick != tick {
			t.Errorf("shard %d is given what ends at %d, want %d", shard, b.tick, tick)
		}
	}
	if err := <-flush(t.Context(), Tick); err != nil { // fills both queues
		t.Fatal(err)
	}
	ctx, giveUp := context.WithCancel(t.Context())
	second := flush(ctx, 2*Tick)
	next(0, Tick)
	next(0, 2*Tick) // the first shard has it, the other's queue is full
	giveUp()
	next(1, Tick)
	if err := <-second; err != nil {
		t.Fatalf("given up when the first shard had it: %v", err)
	}
	next(1, 2*Tick)
	if err := <-flush(ctx, 3*Tick); !errors.Is(err, context.Canceled) || len(s.queues[0])+len(s.queues[1]) > 0 {
		t.Errorf("given up before: %v, and %d batches are with the shards", err, len(s.queues[0])+len(s.queues[1]))
	}
}
