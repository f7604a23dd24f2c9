package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
)

// How long a machine waits for its message to be acknowledged, which is when the
// reading is on disk: alone, beside an import, and while old days are summed up.
func BenchmarkAcknowledge(b *testing.B) {
	for _, beside := range []string{"alone", "import", "summing up", "alone again"} {
		b.Run(beside, func(b *testing.B) {
			dir := b.TempDir()
			file := filepath.Join(dir, "coilward.yaml")
			fleetText := "sites:\n  - id: oakmill\n    name: Oak Mill Works, canteen\n    timezone: America/New_York\n    machines:\n      - {id: cab-1, kind: glass-door, product: dairy}\n"
			for name, text := range map[string]string{file: "data_dir: d\n", filepath.Join(dir, "fleet.yaml"): fleetText} {
				if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
					b.Fatal(err)
				}
			}
			f, err := fleet.Parse("fleet.yaml", []byte(fleetText))
			if err != nil {
				b.Fatal(err)
			}
			data := filepath.Join(dir, "d")
			now := historytest.Start.Add(6 * 24 * time.Hour)
			if beside == "summing up" {
				pastOf(b, data, 300, 4)
			}
			l := startLive(b, data, f, now.Time(), func(c *config) { c.History.RetainDays = 1 })
			defer l.stop()
			ctx, cancel := context.WithCancel(context.Background())
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				work(ctx, b, l, beside, file)
			}()
			var waits []time.Duration
			n := 0
			b.ReportAllocs()
			for b.Loop() {
				n++
				payload := fmt.Sprintf(`[{"bt":%d,"n":"cabinet_air","u":"Cel","v":3.4},{"n":"coil_out","u":"Cel","v":-7.9}]`, int64(now)/1000+int64(n))
				began := time.Now()
				tok := l.links[n%len(l.links)].Publish("cabinets/oakmill/cab-"+strconv.Itoa(n%500)+"/readings", 1, false, payload)
				if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
					b.Fatal(tok.Error())
				}
				waits = append(waits, time.Since(began))
			}
			cancel()
			<-ended
			slices.Sort(waits)
			b.ReportMetric(float64(waits[len(waits)/2].Microseconds()), "p50-µs")
			b.ReportMetric(float64(waits[len(waits)*99/100].Microseconds()), "p99-µs")
		})
	}
}

// pastOf fills a history with days of machines.
func pastOf(b *testing.B, data string, machines, days int) {
	b.Helper()
	store, err := history.Open(history.Options{Dir: filepath.Join(data, "history"), Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	for n := 0; n < days*1440; n++ {
		batch := make([]collector.Reading, machines)
		for m := range batch {
			batch[m] = historytest.Reading(fmt.Sprintf("old-%d", m), n)
		}
		if n%60 != 0 {
			continue // an hour is enough of a reading each
		}
		if err := store.Append(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	if err := store.Settle(); err != nil {
		b.Fatal(err)
	}
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
}

// work does what is done beside, until ctx ends.
func work(ctx context.Context, b *testing.B, l *live, beside, config string) {
	switch beside {
	case "import":
		for part := 0; ctx.Err() == nil; part++ {
			var text bytes.Buffer
			w := csv.NewWriter(&text)
			_ = w.Write([]string{"time", "machine", "site", "cabinet_air"})
			for n := range 50_000 {
				at := historytest.Start.Add(5*24*time.Hour + time.Duration(n)*time.Second)
				_ = w.Write([]string{at.Time().Format(time.RFC3339), fmt.Sprintf("back-%d", part), "oakmill", "3.4"})
			}
			w.Flush()
			c := importCommand{Config: config, Rate: 20_000, Files: []string{"-"}, clock: func() time.Time { return historytest.Start.Time().AddDate(0, 0, 6) }}
			var out, problems bytes.Buffer
			if status := c.run(ctx, &streams{&text, &out, &problems}); status != statusOK && ctx.Err() == nil {
				b.Errorf("%s", &problems)
				return
			}
		}
	case "summing up":
		for ctx.Err() == nil {
			began := time.Now()
			more, err := l.d.history.Compact(ctx, collector.MillisOf(l.clock.Now()))
			if err != nil || !more {
				return
			}
			select {
			case <-ctx.Done():
			case <-time.After(pauseAfter(time.Since(began), ageShare)):
			}
		}
	}
}
