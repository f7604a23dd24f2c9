package main

import (
	"bytes"
	"testing"
	"time"

	"coilward/collector"
)

// FuzzScanLine holds the quick way of reading a line against the slow one: where
// the payload is one JSON value both must agree.
func FuzzScanLine(f *testing.F) {
	for _, s := range []string{
		`{"received":"2026-07-01T00:00:00Z","topic":"cabinets/a/b/readings","payload":[{"n":"x","v":1}]}`,
		`{"topic":"cabinets/a/b/status","received":"2026-07-01T00:00:00.25Z","payload":"online"}`,
		` { "received" : "2026-02-29T23:59:59Z", "topic":"t", "payload": [] } `,
		`{"received":"2026-07-01T00:00:00Z","topic":"t","payload":[1],"x":[2]}`,
		`{"received":"2026-07-01T00:00:00+02:00","topic":"t\u0041","payload":[]}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		quick, ok := scanLine(line)
		slow, err := readLine(line)
		if !ok || err != nil {
			return // not read the quick way, or refused by its decoder or readLine in the end
		}
		if !bytes.Equal(quick.topic, slow.topic) || quick.received != slow.received || quick.isString != slow.isString {
			// A key that comes twice is the one case in which they differ before
			// the payload; recorders do not write it.
			if bytes.Count(line, []byte(`"topic"`))+bytes.Count(line, []byte(`"received"`)) <= 2 {
				t.Errorf("%s\nquick %+v\n slow %+v", line, quick, slow)
			}
		}
	})
}

func TestParseInstant(t *testing.T) {
	day := time.Date(1999, 12, 30, 1, 2, 3, 0, time.UTC)
	for range 40_000 {
		day = day.Add(7*time.Hour + 13*time.Minute + 11*time.Second)
		got, ok := parseInstant([]byte(day.Format(time.RFC3339)))
		if !ok || got != collector.MillisOf(day) {
			t.Fatalf("%v: %v %v", day, got.Time(), ok)
		}
	}
	for _, s := range []string{"2026-02-29T00:00:00Z", "2026-13-01T00:00:00Z", "2026-07-01T24:00:00Z", "2026-07-01T00:00:60Z",
		"2026-07-01T00:00:00+00:00", "2026-07-01 00:00:00Z", "2026-07-01T00:00:00.Z", "2026-07-0xT00:00:00Z", ""} {
		if got, ok := parseInstant([]byte(s)); ok {
			t.Errorf("%q was read as %v", s, got.Time())
		}
	}
	if got, ok := parseInstant([]byte("2026-07-01T00:00:00.2569Z")); !ok || got%1000 != 256 {
		t.Errorf("fraction: %v %v", got, ok)
	}
}
