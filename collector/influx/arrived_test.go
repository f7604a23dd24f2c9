package influx_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
	"coilward/collector/influx"
	"coilward/collector/influx/influxtest"
)

// arrivals is three days of a few machines: one sends every minute, one is cut off
// for hours and sends them at once, one comes late with everything, one notes what
// nobody knows; and the pipeline notes its own absence.
func arrivals() []collector.Reading {
	var all, kept []collector.Reading
	for n := range 3 * 1440 {
		now := historytest.Reading("cab-1", n)
		if n == 2000 {
			note := collector.Absence(now.At-2_400_000, now.Received)
			all = append(all, note)
		}
		all = append(all, now)
		r := historytest.Reading("cab/2", n)
		r.Received = now.Received
		if n > 300 && n < 2500 {
			kept = append(kept, r)
		} else {
			for i := range kept {
				kept[i].Received = now.Received
			}
			all, kept = append(append(all, kept...), r), nil
		}
		if n >= 1440 {
			late := historytest.Reading("cab-3", n-1440)
			late.Received = now.Received
			all = append(all, late)
		}
		if n%60 == 7 {
			x := collector.Reading{Machine: "cab-4", Site: "harbour school", At: now.At, Received: now.Received, Extra: []collector.Extra{{Name: "firmware", Text: "a \"b\",\\ =c\nd"}, {Name: "vibration x,y", Unit: "m/s2", Value: 1.0 / 3}}}
			all = append(all, x, collector.Reading{Machine: "cab-4", Site: "harbour school", At: now.At + 1, Received: now.Received, Status: collector.Offline})
		}
	}
	return all
}

// What InfluxDB gives back in the order of arrival is what the history gives,
// reading for reading, all in memory or most of it through files.
func TestArrivedIsTheHistorys(t *testing.T) {
	base := influxtest.Start(t)
	h := store(t, history.Options{})
	all := arrivals()
	for chunk := range slices.Chunk(all, 250) {
		if err := h.Append(t.Context(), chunk); err != nil {
			t.Fatal(err)
		}
	}
	cursor := filepath.Join(t.TempDir(), "cursor")
	for _, hold := range []int{0, 40} {
		t.Setenv("TMPDIR", t.TempDir())
		d := influx.New(influx.Options{URL: base, Bucket: "coolers/raw", Source: h, Cursor: cursor, Every: 10 * time.Millisecond, Log: zerolog.Nop(), Hold: hold})
		defer d.Close()
		copied(t, d, cursor, fmt.Sprint(len(all)))
		begin, end := historytest.Start.Add(-24*time.Hour), historytest.Start.Add(4*24*time.Hour)
		for _, c := range []struct {
			machines map[string]bool
			from, to collector.Millis
		}{
			{nil, 0, end},
			{nil, begin, historytest.Start.Add(40 * time.Hour)},
			{nil, historytest.Start.Add(30 * time.Hour), historytest.Start.Add(60 * time.Hour)},
			{map[string]bool{"cab/2": true, "cab-4": true, "cab-3": false}, historytest.Start.Add(41 * time.Hour), end},
			{map[string]bool{"cab": true}, 0, end},
			{map[string]bool{}, 0, end},
		} {
			var want, got []history.Entry
			take := func(to *[]history.Entry) func(*history.Entry) error {
				return func(e *history.Entry) error { *to = append(*to, *e); return nil }
			}
			machines := map[string]bool{}
			for m, is := range c.machines {
				if is {
					machines[m] = true
				}
			}
			if c.machines == nil {
				machines = nil
			}
			if err := h.Arrived(t.Context(), machines, c.from, c.to, take(&want)); err != nil {
				t.Fatal(err)
			}
			if err := d.Arrived(t.Context(), c.machines, c.from, c.to, take(&got)); err != nil {
				t.Fatal(err)
			}
			if len(got) != len(want) {
				t.Fatalf("%v from %v: %d readings, want %d", c.machines, c.from.Time(), len(got), len(want))
			}
			for i := range got {
				if got[i].Seq != want[i].Seq || !historytest.Same(got[i].Reading, want[i].Reading) {
					t.Fatalf("%v from %v: reading %d\n got %+v\nwant %+v", c.machines, c.from.Time(), i, got[i], want[i])
				}
			}
		}
		if left, err := os.ReadDir(os.Getenv("TMPDIR")); err != nil || len(left) > 0 {
			t.Errorf("files are left: %v %v", left, err)
		}
		spans, err := d.Machines(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range h.Machines() {
			if i >= len(spans) || spans[i] != want {
				t.Errorf("%d machines; number %d is to be\n%+v in\n%+v", len(spans), i, want, spans)
			}
		}
	}
	d := influx.New(influx.Options{URL: base, Bucket: "nothing/raw", Log: zerolog.Nop()})
	defer d.Close()
	if err := d.Arrived(t.Context(), nil, 0, 1<<60, func(*history.Entry) error { return nil }); err == nil || !strings.Contains(err.Error(), "nothing") {
		t.Errorf("a database that is not there gave %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.Arrived(ctx, nil, 0, 1<<60, func(*history.Entry) error { return nil }); err == nil {
		t.Error("an ended context gave no error")
	}
}
