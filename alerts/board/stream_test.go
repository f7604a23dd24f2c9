package board

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.uber.org/goleak"

	"coilward/collector/fleet"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// event is one event of a stream.
type event struct {
	name string
	data map[string]string
}

// listen opens a live page; next blocks until an event comes.
func listen(t *testing.T, address, cookie string) (next func() event, closed func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	r, err := http.NewRequestWithContext(ctx, "GET", address, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Cookie", cookie)
	transport := &http.Transport{}
	t.Cleanup(transport.CloseIdleConnections)
	res, err := (&http.Client{Transport: transport}).Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { res.Body.Close() })
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d %v", res.StatusCode, res.Header)
	}
	lines := bufio.NewReaderSize(res.Body, 1<<20)
	read := func() (event, error) {
		var e event
		for {
			line, err := lines.ReadString('\n')
			if err != nil {
				return e, err
			}
			switch line = strings.TrimSuffix(line, "\n"); {
			case line == "":
				return e, nil
			case strings.HasPrefix(line, "event: "):
				e.name = line[7:]
			case strings.HasPrefix(line, "data: "):
				if err := json.Unmarshal([]byte(line[6:]), &e.data); err != nil {
					return e, err
				}
			}
		}
	}
	return func() event {
			t.Helper()
			e, err := read()
			if err != nil {
				t.Fatal(err)
			}
			return e
		}, func() bool {
			for {
				if _, err := read(); err != nil {
					return err == io.EOF
				}
			}
		}
}

func TestStreamSendsWhatChanged(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	server := httptest.NewServer(b)
	defer server.Close()
	defer b.Close()
	next, _ := listen(t, server.URL+"/live/", german)
	if e := next(); e.name != "hello" || e.data["asset"] != assetVersion {
		t.Fatalf("first event %+v", e)
	}
	// Every part comes once, then nothing but beats while nothing changes.
	first := map[string]string{}
	e := next()
	for ; e.name == "part"; e = next() {
		first[e.data["id"]] = e.data["html"]
	}
	if e.name != "beat" || len(first) != 4 || !strings.Contains(first["ruler"], "nobody has taken it") {
		t.Fatalf("parts %d, then %q", len(first), e.name)
	}
	if got := post(b, "/alerts/A-000001/acknowledge", url.Values{"name": {"Ben"}}); got.Code != 303 {
		t.Fatal(got.Code)
	}
	for e = next(); e.name == "beat"; e = next() {
	}
	if e.name != "part" || e.data["id"] != "ruler" || !strings.Contains(e.data["html"], "taken by Ben") {
		t.Errorf("after the move: %s %s", e.name, e.data["id"])
	}
	// Time passes on the pipeline's clock only.
	w.pass(3 * time.Hour)
	for e = next(); e.name == "beat"; e = next() {
	}
	if e.name != "part" || e.data["id"] != "clock" || !strings.Contains(e.data["html"], "17:20") {
		t.Errorf("after three hours: %s %v", e.name, e.data)
	}
}

func TestStreamEndsWhenItsMachineGoes(t *testing.T) {
	w := newWorld(t, 3, 3)
	b := w.board(t)
	got := get(t, b, "/live/machines/none")
	if body := got.Body.String(); !strings.Contains(body, "event: gone") {
		t.Errorf("%q", body)
	}
}

// A stop ends live pages, waits for them, and leaves no goroutine (TestMain).
func TestRunStopsWithLivePages(t *testing.T) {
	w := troubled(t)
	b, err := New(Options{Listen: "127.0.0.1:0", Fleet: func() *fleet.Fleet { return w.fleet }, Models: w, History: w, Desk: w, Ledger: w, Clock: w, Log: zerolog.Nop(),
		Mount: map[string]http.Handler{"GET /livez": http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "alive") })}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	address, ran := make(chan string, 1), make(chan error, 1)
	go func() { ran <- b.Run(ctx, func(a string) { address <- a }) }()
	at := "http://" + <-address
	next, closed := listen(t, at+"/live/machines/cab-0403", german)
	next()
	got, err := http.Get(at + "/livez")
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(got.Body)
	got.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	if string(body) != "alive" {
		t.Errorf("mounted path says %q", body)
	}
	stop()
	if !closed() {
		t.Error("the stream was cut, not ended")
	}
	if err := <-ran; err != nil {
		t.Error(err)
	}
}

func TestTooManyLivePages(t *testing.T) {
	w := troubled(t)
	b := w.board(t)
	for range cap(b.seats) {
		b.seats <- struct{}{}
	}
	got := get(t, b, "/live/")
	if got.Code != http.StatusServiceUnavailable || got.Header().Get("Retry-After") == "" {
		t.Errorf("%d %v", got.Code, got.Header())
	}
}
