package history_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
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

// noisy is a reading whose temperatures have the noise of a probe.
func noisy(machine string, seed, n int) collector.Reading {
	r := historytest.Reading(machine, n)
	rng := rand.New(rand.NewPCG(uint64(seed), uint64(n)))
	for c := range r.Has.All {
		if c.IsTemperature() {
			r.Value[c] = math.Round((r.Value[c]+0.15*rng.NormFloat64())*10) / 10
		}
	}
	return r
}

// Summing up a day of a hundred machines, each reading with the noise of a probe;
// bytes on the disk before and after, of a reading and of a quarter of an hour.
func BenchmarkCompact(b *testing.B) {
	const machines, minutes = 100, 1440
	var readings []collector.Reading
	for n := range minutes {
		for m := range machines {
			readings = append(readings, noisy(fmt.Sprintf("cab-%04d", m), m, n))
		}
	}
	b.ReportAllocs()
	var raw, old, steps uint64
	n := 0
	for b.Loop() {
		b.StopTimer()
		n++
		s := open(b, nil, func(o *history.Options) { o.Dir, o.RetainDays = b.TempDir(), 1 })
		for hour := range slices.Chunk(readings, machines*60) {
			if err := s.Append(b.Context(), hour); err != nil {
				b.Fatal(err)
			}
		}
		later := historytest.Reading("cab-0000", 3*1440)
		if err := errors.Join(s.Append(b.Context(), []collector.Reading{later}), s.Settle()); err != nil {
			b.Fatal(err)
		}
		raw = s.Stats().BlockBytes
		b.StartTimer()
		for more := true; more; steps++ {
			var err error
			if more, err = s.Compact(b.Context(), later.Received); err != nil {
				b.Fatal(err)
			}
		}
		b.StopTimer()
		if st := s.Stats(); st.Summarised != machines*minutes {
			b.Fatalf("%d readings in summaries", st.Summarised)
		} else {
			old = st.SummaryBytes
		}
		b.StartTimer()
	}
	total := float64(machines * minutes)
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n)/total, "ns/reading")
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(steps), "µs/step")
	b.ReportMetric(float64(raw)/total, "B/reading")
	b.ReportMetric(float64(old)/total*15, "B/quarter-hour")
}
