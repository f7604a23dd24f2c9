package influx_test

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/history/historytest"
	"coilward/collector/influx"
)

// server takes points as InfluxDB does, after going through its faults, one a
// request.
type server struct {
	mu     sync.Mutex
	faults []string
	lines  map[string]int // by line, how often it was stored
	order  []string
	full   chan struct{} // closed when want lines are there
	want   int
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	zipped, err := gzip.NewReader(r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	body, err := io.ReadAll(zipped)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	fault := ""
	if len(s.faults) > 0 {
		fault, s.faults = s.faults[0], s.faults[1:]
	}
	s.mu.Unlock()
	switch fault {
	case "hang":
		<-r.Context().Done()
		return
	case "cut":
		panic(http.ErrAbortHandler)
	case "500", "404", "401", "429", "503":
		var status int
		_, _ = fmt.Sscan(fault, &status)
		http.Error(w, `{"code":"x","message":"no"}`, status)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	lines := strings.Split(strings.TrimSpace(string(body)), "\n")
	bad := 0
	for _, line := range lines {
		if strings.Contains(line, "poison") {
			bad++ // the others of the request are stored, as InfluxDB does
			continue
		}
		if s.lines[line]++; s.lines[line] == 1 {
			s.order = append(s.order, line)
			if len(s.order) == s.want {
				close(s.full)
			}
		}
	}
	switch {
	case fault == "stored, answer lost":
		panic(http.ErrAbortHandler)
	case bad > 0:
		http.Error(w, fmt.Sprintf(`{"code":"invalid","message":"partial write: dropped=%d"}`, bad), http.StatusBadRequest)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

func store(t *testing.T, o history.Options) *history.Store {
	o.Dir, o.FS = "h", vfs.NewMem()
	h, err := history.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

func fill(t *testing.T, h historytest.Ranger, machine string, from, to int) {
	t.Helper()
	for n := from; n < to; n++ {
		if err := h.Append(t.Context(), []collector.Reading{historytest.Reading(machine, n)}); err != nil {
			t.Fatal(err)
		}
	}
}

// run copies until the server has what it wants, and returns the metrics.
func run(t *testing.T, s *server, o influx.Options, want int) *prometheus.Registry {
	t.Helper()
	s.full, s.want = make(chan struct{}), want
	http := httptest.NewServer(s)
	defer http.Close()
	registry := prometheus.NewRegistry()
	o.URL, o.Bucket, o.Token = http.URL, "db/rp", "secret"
	o.Every, o.Retry, o.Timeout = time.Millisecond, time.Millisecond, 500*time.Millisecond
	o.Log, o.Registry = zerolog.Nop(), registry
	d := influx.New(o)
	defer d.Close()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- d.Run(ctx) }()
	select {
	case <-s.full:
	case err := <-ended:
		t.Fatalf("ended too early: %v", err)
	case <-time.After(20 * time.Second):
		t.Errorf("%d of %d points after 20 s", len(s.order), want)
	}
	// The cursor is saved after the answer has come.
	for deadline := time.Now().Add(5 * time.Second); ; {
		text, _ := os.ReadFile(o.Cursor)
		if strings.TrimSpace(string(text)) == fmt.Sprint(o.Source.LastSeq()) || time.Now().After(deadline) {
			break
		}
		<-time.After(time.Millisecond)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	return registry
}

func value(t *testing.T, r *prometheus.Registry, name string) float64 {
	t.Helper()
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == name {
			return f.Metric[0].GetCounter().GetValue() + f.Metric[0].GetGauge().GetValue()
		}
	}
	t.Fatalf("no metric %s", name)
	return 0
}

func TestCopyThroughFaults(t *testing.T) {
	h := store(t, history.Options{})
	fill(t, h, "cab-1", 0, 150)
	cursor := filepath.Join(t.TempDir(), "cursor")
	s := &server{lines: map[string]int{}, faults: []string{"500", "hang", "404", "", "cut", "stored, answer lost", "401", "503", "", "429"}}
	registry := run(t, s, influx.Options{Source: h, Cursor: cursor, Batch: 20}, 150)
	if len(s.order) != 150 {
		t.Fatalf("%d points, want 150", len(s.order))
	}
	for i, line := range s.order {
		if !strings.HasSuffix(line, fmt.Sprint(historytest.Reading("cab-1", i).At)) {
			t.Fatalf("point %d is out of order: %s", i, line)
		}
	}
	if errs, left := value(t, registry, "coilward_influx_write_errors_total"), value(t, registry, "coilward_influx_lost_readings_total"); errs < 8 || left != 0 {
		t.Errorf("%v errors, %v lost; want 8, or more on a slow machine, and none", errs, left)
	}
	if problems, err := testutil.GatherAndLint(registry); err != nil || len(problems) > 0 {
		t.Error(problems, err)
	}

	// After a restart it goes on where it was.
	fill(t, h, "cab-2", 0, 10)
	again := &server{lines: map[string]int{}}
	run(t, again, influx.Options{Source: h, Cursor: cursor}, 10)
	if len(again.order) != 10 || !strings.Contains(again.order[0], "machine=cab-2") {
		t.Errorf("%d points after the restart, want the 10 new ones", len(again.order))
	}
}

func TestRefusedPoint(t *testing.T) {
	h := store(t, history.Options{})
	fill(t, h, "cab-1", 0, 30)
	fill(t, h, "poison", 0, 1)
	fill(t, h, "cab-1", 30, 60)
	s := &server{lines: map[string]int{}}
	registry := run(t, s, influx.Options{Source: h, Cursor: filepath.Join(t.TempDir(), "cursor")}, 60)
	if got := value(t, registry, "coilward_influx_refused_readings_total"); got != 1 || len(s.order) != 60 {
		t.Errorf("%v refused, %d stored; want 1 and 60", got, len(s.order))
	}
}

func TestLostToRetention(t *testing.T) {
	h := store(t, history.Options{RetainDays: 1})
	fill(t, h, "cab-1", 0, 50)
	fill(t, h, "cab-1", 3*1440, 3*1440+5)
	if err := h.Settle(); err != nil {
		t.Fatal(err)
	}
	if err := h.Retain(t.Context(), historytest.Reading("", 3*1440).Received); err != nil {
		t.Fatal(err)
	}
	s := &server{lines: map[string]int{}}
	registry := run(t, s, influx.Options{Source: h, Cursor: filepath.Join(t.TempDir(), "cursor")}, 5)
	if got := value(t, registry, "coilward_influx_lost_readings_total"); got != 50 {
		t.Errorf("%v lost, want 50", got)
	}
}

func TestSecretStaysSecret(t *testing.T) {
	o := influx.Options{Token: "hunter2"}
	if text := fmt.Sprintf("%v %+v %#v %s", o, o, o, o.Token); strings.Contains(text, "hunter2") {
		t.Error(text)
	}
}
