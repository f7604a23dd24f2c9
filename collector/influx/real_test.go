package influx_test

import (
	"context"
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

func TestRealServer(t *testing.T) {
	base := influxtest.Start(t)
	h := store(t, history.Options{})
	var want []collector.Reading
	for n := range 3000 { // two days and more
		want = append(want, historytest.Reading("cab-1", n))
	}
	want[7] = collector.Reading{Machine: "cab-1", Site: "oakmill", At: want[7].At, Received: want[7].Received, Status: collector.Offline}
	want[8].Extra = []collector.Extra{{Name: "firmware", Text: "a \"b\",\\ =c\nd ${x}"}, {Name: "vibration x,y=z", Unit: "m/s2", Value: 1.0 / 3}}
	want[9].Value[collector.CabinetAir] = 0.1 + 0.2
	sent := slices.Clone(want)
	slices.Reverse(sent[100:900]) // backfill
	for chunk := range slices.Chunk(sent, 250) {
		if err := h.Append(t.Context(), chunk); err != nil {
			t.Fatal(err)
		}
	}
	fill(t, h, "cab-2", 0, 100)

	cursor := filepath.Join(t.TempDir(), "cursor")
	d := influx.New(influx.Options{URL: base, Bucket: "coolers/raw", Source: h, Cursor: cursor, Batch: 700, Every: 10 * time.Millisecond, Log: zerolog.Nop()})
	defer d.Close()
	copied(t, d, cursor, "3100")

	from, to := want[0].At, want[len(want)-1].At+1
	var got []collector.Reading
	err := d.Range(t.Context(), "cab-1", from, to, func(e *history.Entry) error { got = append(got, e.Reading); return nil })
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d readings, want %d", len(got), len(want))
	}
	for i := range got {
		if !historytest.Same(got[i], want[i]) {
			t.Fatalf("reading %d\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
	// Again from the start, as after losing the cursor: nothing is doubled.
	if err := os.Remove(cursor); err != nil {
		t.Fatal(err)
	}
	copied(t, d, cursor, "3100")
	n := 0
	err = d.Range(t.Context(), "cab-2", from, to, func(*history.Entry) error { n++; return nil })
	if err != nil || n != 100 {
		t.Errorf("%d readings of cab-2, want 100; %v", n, err)
	}
}

// copied runs the copy until the cursor says how far it is to come.
func copied(t *testing.T, d *influx.DB, cursor, want string) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	deadline := time.After(30 * time.Second)
	for text := ""; text != want; {
		select {
		case <-deadline:
			t.Fatalf("the copy is at %q, want %s", text, want)
		case <-time.After(20 * time.Millisecond):
		}
		b, _ := os.ReadFile(cursor)
		text = strings.TrimSpace(string(b))
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
