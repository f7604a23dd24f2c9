package history_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// A thousand machines, each minute one call of Append, on the disk;
// bytes are those of the database, per reading.
func BenchmarkAppend(b *testing.B) {
	machines := make([]string, 1000)
	for i := range machines {
		machines[i] = fmt.Sprintf("cab-%04d", i)
	}
	s := open(b, nil, func(o *history.Options) { o.Dir = b.TempDir() })
	batch := make([]collector.Reading, len(machines))
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		for i := range batch {
			batch[i] = historytest.Reading(machines[i], n+i)
			batch[i].At -= collector.Millis(i) * 60_000
			batch[i].Received = batch[i].At + collector.Millis(150+(n*7919+i*104729)%400)
		}
		n++
		if err := s.Append(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	if err := s.Settle(); err != nil {
		b.Fatal(err)
	}
	st := s.Stats()
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(st.LastSeq), "ns/reading")
	if stored := st.LastSeq - st.OpenCount; stored > 0 {
		b.ReportMetric(float64(st.BlockBytes)/float64(stored), "B/reading")
	}
}

// A month of one machine among ten, from blocks on the disk.
func BenchmarkRangeMonth(b *testing.B) {
	s := open(b, nil, func(o *history.Options) { o.Dir = b.TempDir() })
	const month = 30 * 1440
	for from := 0; from < month; from += 60 {
		var hour []collector.Reading
		for n := from; n < from+60; n++ {
			for m := range 10 {
				hour = append(hour, historytest.Reading(fmt.Sprintf("cab-%d", m), n))
			}
		}
		if err := s.Append(context.Background(), hour); err != nil {
			b.Fatal(err)
		}
	}
	if err := s.Settle(); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		count := 0
		err := s.Range(b.Context(), "cab-3", historytest.Start, historytest.Start.Add(month*time.Minute), func(*history.Entry) error { count++; return nil })
		if err != nil || count != month {
			b.Fatal(count, err)
		}
	}
}
