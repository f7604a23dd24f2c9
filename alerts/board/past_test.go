package board

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"
)

// The strips of a past time end then, say so, and keep to it when the span changes;
// a time that is none, or not past, is now.
func TestStripsOfThePast(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	get := func(until string) string {
		t.Helper()
		out := httptest.NewRecorder()
		b.ServeHTTP(out, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/machines/cab-0403?span=24h&until="+url.QueryEscape(until), nil))
		if out.Code != http.StatusOK {
			t.Fatalf("status %d", out.Code)
		}
		return out.Body.String()
	}
	then := w.now.Add(-30 * time.Hour).UTC().Format(time.RFC3339)
	text := get(then)
	for _, want := range []string{"These strips end", `href="/machines/cab-0403?span=7d&amp;until=` + then, "Those up to now"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	for _, until := range []string{"", "yesterday", w.now.Add(time.Hour).UTC().Format(time.RFC3339)} {
		if strings.Contains(get(until), "These strips end") {
			t.Errorf("until %q is taken for a past time", until)
		}
	}
}

// A day is asked for by the site's clock; the strips before and after it are a step
// away, and nothing is after now.
func TestStripsOfADay(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := w.now.In(loc)
	day := time.Date(now.Year(), now.Month(), now.Day()-2, 0, 0, 0, 0, loc)
	got := b.windowOf(Reader{}, "cab-0403", stripsQuery{day: day.Format(time.DateOnly)}, loc)
	if !got.from.Equal(day) || !got.to.Equal(day.AddDate(0, 0, 1)) || !got.past || got.Day != day.Format(time.DateOnly) {
		t.Errorf("%v to %v of the %s, want the day that begins %v", got.from, got.to, got.Day, day)
	}
	earlier, err := url.Parse(got.Earlier)
	if err != nil {
		t.Fatal(err)
	}
	if before := b.windowOf(Reader{}, "cab-0403", stripsQuery{until: earlier.Query().Get("until")}, loc); !before.to.Equal(got.from) {
		t.Errorf("the strips before end %v, want %v", before.to, got.from)
	}
	if got := b.windowOf(Reader{}, "cab-0403", stripsQuery{day: now.Format(time.DateOnly)}, loc); got.past || !got.to.Equal(w.now) || got.Later != "" {
		t.Errorf("today ends %v, later %q; want now, and nothing later", got.to, got.Later)
	}
	for _, c := range []struct {
		q     stripsQuery
		still bool
	}{{stripsQuery{}, false}, {stripsQuery{span: "30d"}, false}, {stripsQuery{day: "2026-05-05"}, true}} {
		if still, _ := c.q.live(); still != c.still {
			t.Errorf("%+v: still %v", c.q, still)
		}
	}
}

// Days, months and years are marked where they begin by the site's clock, also
// across a change of the clock.
func TestReachTicks(t *testing.T) {
	loc, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	end := time.Date(2026, 4, 2, 12, 0, 0, 0, loc)
	for span, want := range map[string]string{
		"30d": "9 Mar, 16 Mar, 23 Mar, 30 Mar",
		"90d": "15 Jan, 1 Feb, 15 Feb, 1 Mar, 15 Mar, 1 Apr",
		"1y":  "May, Jun, Jul, Aug, Sep, Oct, Nov, Dec, 2026, Feb, Mar, Apr",
		"3y":  "Jul, Oct, 2024, Apr, Jul, Oct, 2025, Apr, Jul, Oct, 2026, Apr",
	} {
		c := reachOf(span)
		f := frame{end.Add(-c.span), end}
		var got []string
		for _, x := range c.ticks(f, Reader{}, loc) {
			got = append(got, unbroken(x.Label))
		}
		if s := strings.Join(got, ", "); s != want {
			t.Errorf("%s: %s, want %s", span, s, want)
		}
	}
}

// Over a month and longer the models are not run again, and the page says so.
func TestStripsOfYears(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	for span, traced := range map[string]bool{"30d": true, "90d": false, "1y": false, "3y": false} {
		out := httptest.NewRecorder()
		b.ServeHTTP(out, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/machines/cab-0403?span="+span, nil))
		text := out.Body.String()
		if out.Code != http.StatusOK || !strings.Contains(text, "Lines are means over") || strings.Contains(text, "product, estimated") != traced ||
			strings.Contains(text, "is drawn for up to 30 days") == traced {
			t.Errorf("%s: status %d, traced %v", span, out.Code, traced)
		}
	}
}
