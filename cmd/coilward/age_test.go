package main

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// A running daemon sums up what is too old, without being asked, and each day
// what has become so since.
func TestAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, err := history.Open(history.Options{Dir: "h", FS: vfs.NewMem(), RetainDays: 2, Log: zerolog.Nop()})
		if err != nil {
			t.Fatal(err)
		}
		minutes := 0
		days := func(n int) {
			for end := minutes + n*1440; minutes < end; minutes += 10 {
				if err := store.Append(t.Context(), []collector.Reading{historytest.Reading("cab-1", minutes)}); err != nil {
					t.Fatal(err)
				}
			}
			if err := store.Settle(); err != nil {
				t.Fatal(err)
			}
		}
		days(4)
		clock := newFastClock(historytest.Reading("cab-1", minutes).At.Time(), time.Now)
		d := &daemon{history: store, clock: clock, log: zerolog.Nop()}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- d.age(ctx) }()
		for _, want := range []uint64{2 * 144, 3 * 144} {
			time.Sleep(2 * time.Hour)
			if got := store.Stats().Summarised; got != want {
				t.Errorf("%d readings are summed up, want %d", got, want)
			}
			days(1)
			clock.Set(historytest.Reading("cab-1", minutes).At.Time())
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
}

// Work takes no more than its share of the time.
func TestPauseAfter(t *testing.T) {
	if got := pauseAfter(2*time.Millisecond, 0.2); got < 7900*time.Microsecond || got > 8100*time.Microsecond {
		t.Errorf("%v of pause after 2 ms, want 8 ms for a fifth", got)
	}
}
