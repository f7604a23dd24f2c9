package board

import (
	"context"
	"iter"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"coilward/collector"
)

// oldWorld has of what is more than a day old only quarters of an hour.
type oldWorld struct{ *world }

func (w oldWorld) Readings(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*collector.Reading, error] {
	if border := w.now.Add(-24 * time.Hour); from.Before(border) {
		from = border
	}
	return w.world.Readings(ctx, machine, from, to)
}

func (w oldWorld) Spreads(ctx context.Context, machine string, from, to time.Time) iter.Seq2[*Spread, error] {
	return func(yield func(*Spread, error) bool) {
		for t := from.Truncate(15 * time.Minute); t.Before(to) && t.Before(w.now.Add(-24*time.Hour)); t = t.Add(15 * time.Minute) {
			s := Spread{From: t, To: t.Add(15 * time.Minute)}
			for r := range w.world.Readings(ctx, machine, s.From, s.To.Add(-time.Minute)) {
				for c := range r.Has.All {
					f, v := &s.Channel[c], r.Value[c]
					if f.Count == 0 {
						f.Min, f.Max = v, v
					}
					f.Count++
					f.Min, f.Max, f.Mean = min(f.Min, v), max(f.Max, v), f.Mean+(v-f.Mean)/float64(f.Count)
				}
				s.Has |= r.Has
			}
			if !yield(&s, nil) {
				return
			}
		}
	}
}

// Of what is summed up, each column knows the range and the mean its readings
// had, and the share of time the door was open.
func TestOldRecord(t *testing.T) {
	w := oldWorld{troubled(t)}
	at := w.now.Add(-50 * time.Hour).Truncate(15 * time.Minute)
	f := frame{at, at.Add(18 * time.Hour)} // a column is 90 s
	var whole, old record
	for _, rec := range []struct {
		rec *record
		h   History
	}{{&whole, w.world}, {&old, w}} {
		*rec.rec = record{frame: f}
		if err := rec.rec.read(t.Context(), rec.h, "cab-0403", Reader{}); err != nil {
			t.Fatal(err)
		}
		if err := rec.rec.readOld(t.Context(), rec.h, "cab-0403", Reader{}); err != nil {
			t.Fatal(err)
		}
	}
	if !old.broad() || whole.broad() || old.readings != 72 {
		t.Fatalf("broad %v and %v, %d stretches", old.broad(), whole.broad(), old.readings)
	}
	a, b := whole.channels[collector.CabinetAir], old.channels[collector.CabinetAir]
	for i := 0; i < columns-10; i += 10 { // a quarter of an hour is ten columns; the last holds the end too
		lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
		for j := i; j < i+10; j++ {
			if a.in[j] > 0 {
				lo, hi, sum, n = min(lo, a.lo[j]), max(hi, a.hi[j]), sum+a.sum[j], n+a.in[j]
			}
		}
		for j := i; j < i+10; j++ {
			if b.lo[j] != lo || b.hi[j] != hi || math.Abs(b.sum[j]/float64(b.in[j])-sum/float64(n)) > 1e-9 {
				t.Fatalf("column %d: %v to %v, mean %v; want %v to %v, %v", j, b.lo[j], b.hi[j], b.sum[j]/float64(b.in[j]), lo, hi, sum/float64(n))
			}
		}
	}
	if x, y := whole.door.total(), old.door.total(); math.Abs(x-y) > 0.01 {
		t.Errorf("the door was open %v of the time, want %v", y, x)
	}
}

// The page says that its lines are means, and draws the range.
func TestOldStrips(t *testing.T) {
	w := oldWorld{troubled(t)}
	b := w.board(t)
	b.history = w
	until := w.now.Add(-30 * time.Hour).UTC().Format(time.RFC3339)
	out := httptest.NewRecorder()
	b.ServeHTTP(out, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/machines/cab-0403?span=24h&until="+url.QueryEscape(until), nil))
	if text := out.Body.String(); out.Code != http.StatusOK || !strings.Contains(text, "Lines are means over an hour") || !strings.Contains(text, `class="range"`) || strings.Contains(text, "No readings are stored") {
		t.Errorf("status %d: %s", out.Code, text)
	}
}
