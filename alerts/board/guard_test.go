package board

import (
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"coilward/alerts"
)

func TestSecurityHeaders(t *testing.T) {
	b := troubled(t).board(t)
	for _, path := range []string{"/", "/static/board.js", "/nothing", "/machines/cab-0403"} {
		h := get(t, b, path).Header()
		csp := h.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: policy lacks %q", path, want)
			}
		}
		if strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy allows something unsafe: %s", path, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
	// The policy forbids inline style and handlers, so no page may have any.
	for _, path := range []string{"/", "/machines/cab-0403", "/alerts", "/alerts/A-000001"} {
		body := strings.ToLower(get(t, b, path).Body.String())
		for _, bad := range []string{" style=", " onclick=", "<style", "http://", "https://"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s holds %q", path, bad)
			}
		}
	}
}

func TestOnlyKnownHosts(t *testing.T) {
	b := troubled(t).board(t)
	for host, want := range map[string]int{"localhost:8417": 200, "127.0.0.1:1": 200, "[::1]:8417": 200, "LOCALHOST": 200,
		"attacker.example": 421, "localhost.attacker.example": 421, "127.0.0.1.attacker.example:80": 421, "": 421} {
		r := httptest.NewRequest("GET", "http://localhost/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		b.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("host %q: %d, want %d", host, w.Code, want)
		}
	}
}

func post(b *Board, path string, form url.Values, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "http://localhost:8417"+path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

func TestChangesOnlyFromOwnPages(t *testing.T) {
	for name, c := range map[string]struct {
		headers []string
		want    int
	}{
		"own page":        {[]string{"Sec-Fetch-Site", "same-origin", "Origin", "http://localhost:8417"}, 303},
		"no browser":      {nil, 303},
		"other site":      {[]string{"Sec-Fetch-Site", "cross-site"}, 403},
		"same site":       {[]string{"Sec-Fetch-Site", "same-site"}, 403},
		"other origin":    {[]string{"Origin", "http://attacker.example"}, 403},
		"other port":      {[]string{"Origin", "http://localhost:9000"}, 403},
		"sandboxed frame": {[]string{"Origin", "null"}, 403},
	} {
		w := troubled(t)
		got := post(w.board(t), "/alerts/A-000001/acknowledge", url.Values{"name": {"Ana"}}, c.headers...)
		if got.Code != c.want {
			t.Errorf("%s: %d, want %d", name, got.Code, c.want)
		}
		if taken := w.open[0].State == alerts.Acknowledged; taken != (c.want == 303) {
			t.Errorf("%s: taken is %v", name, taken)
		}
	}
}

func TestListensOnLoopbackOnly(t *testing.T) {
	for address, ok := range map[string]bool{"127.0.0.1:8417": true, "[::1]:0": true, "localhost:8417": true, ":8417": false, "0.0.0.0:8417": false, "192.0.2.7:80": false, "8417": false} {
		if err := loopbackOnly(address); (err == nil) != ok {
			t.Errorf("%s: %v", address, err)
		}
	}
}

func TestNamelessMoveAsksForTheName(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	got := post(b, "/alerts/A-000001/shelve", url.Values{"reason": {"motor <ordered>"}, "for": {"4h0m0s"}})
	body := got.Body.String()
	if got.Code != 200 || !strings.Contains(body, `action="/alerts/A-000001/shelve"`) || !strings.Contains(body, `value="motor &lt;ordered&gt;"`) {
		t.Fatalf("%d\n%s", got.Code, body)
	}
	if w.open[0].State != alerts.Unacknowledged {
		t.Error("moved without a name")
	}
	got = post(b, "/alerts/A-000001/shelve", url.Values{"reason": {"motor"}, "for": {"4h0m0s"}, "name": {"Ana"}, "next": {"https://attacker.example/"}})
	if got.Code != 303 || got.Header().Get("Location") != "/" {
		t.Errorf("%d to %q", got.Code, got.Header().Get("Location"))
	}
	if a := w.open[0]; a.State != alerts.Shelved || a.Reason != "motor" || a.ShelvedUntil.Time().Sub(fixedNow).Hours() != 4 {
		t.Errorf("alert is %+v", a)
	}
	if s := w.steps["A-000001"]; s[len(s)-1].By.Name != "Ana" {
		t.Errorf("by %+v", s[len(s)-1].By)
	}
	if c := got.Header().Get("Set-Cookie"); !strings.Contains(c, "HttpOnly") || !strings.Contains(c, "SameSite=Strict") {
		t.Errorf("cookie %q", c)
	}
	// What the table of moves refuses is said, and nothing has changed.
	got = post(b, "/alerts/A-000002/unshelve", url.Values{"name": {"Ana"}})
	if got.Code != 409 || !strings.Contains(got.Body.String(), "cannot unshelve") {
		t.Errorf("%d\n%s", got.Code, got.Body)
	}
}

func TestNamesAndPathsAreCleaned(t *testing.T) {
	for in, want := range map[string]string{" Ana \t B ": "Ana B", "a\x00b\u202ec": "abc", "\xff": "", strings.Repeat("é", 80): strings.Repeat("é", 60)} {
		if got := cleanName(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	for in, want := range map[string]string{"/alerts#x": "/alerts#x", "//evil.example": "/", "https://evil.example": "/", `/\evil.example`: "/", "javascript:1": "/", "": "/", "/a\r\nb": "/"} {
		if got := localPath(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
