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
	for _, want := range []string{"These strips end", `href="/machines/cab-0403?span=7d&amp;until=` + url.QueryEscape(then), "Those up to now"} {
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
