package shard

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"coilward/collector"
	"coilward/detect"
)

// While a snapshot is written, however long that takes, readings are taken and
// findings given out. Of those that come meanwhile one waits; a day's is never left
// out, and what waits at the end is written.
func TestModelsGoOnWhileSnapshotsAreWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const quarter = 15 * 60_000
		const start = 1782864000000 - 4*quarter // of the last hour of a day
		var told collector.Millis
		disk := make(chan struct{})
		var kept []*Snapshot
		s := New(Options{Shards: 2, SnapshotEvery: quarter,
			Said:   func(_ context.Context, upTo collector.Millis, _ []detect.Finding) error { told = upTo; return nil },
			Beside: func() ([]byte, error) { return []byte(told.Time().UTC().Format(time.TimeOnly)), nil },
			Snapshot: func(s *Snapshot) error {
				<-disk
				kept = append(kept, s)
				return nil
			}})
		done := make(chan error, 1)
		go func() { done <- s.Run(t.Context()) }()
		// More flushes than all queues hold: without a goroutine that writes, whoever
		// feeds would wait after a dozen.
		s.Start(start)
		for minute := collector.Millis(1); minute < 120; minute++ {
			r := collector.Reading{Machine: "cab-0001", Site: "oakmill", Received: start + minute*60_000, At: start + minute*60_000}
			s.Feed(uint64(minute), &r)
			if minute == 60 {
				close(disk) // or the day's models would be waited for
			}
			if err := s.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
			if want := Floor(r.Received); told != want {
				t.Fatalf("at %d it was told only until %d", want, told)
			}
		}
		s.Close()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		var at []collector.Millis
		for _, s := range kept {
			at = append(at, (s.At-start)/quarter)
			if want := s.At.Time().UTC().Format(time.TimeOnly); string(s.Beside) != want {
				t.Errorf("with the models of %s is kept what was there at %s", want, s.Beside)
			}
		}
		// The second waited for the first, and the third was left out.
		if want := []collector.Millis{1, 2, 4, 5, 6, 7}; !slices.Equal(at, want) || !(Days{}).Due(kept[2]) {
			t.Errorf("kept are the quarters %v, want %v", at, want)
		}
	})
}
