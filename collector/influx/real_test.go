package influx_test

import (
	"bytes"
	"context"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
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
)

// influxd starts a real server, of version 1.8, and returns its address.
func influxd(t *testing.T) string {
	t.Helper()
	program, err := exec.LookPath("influxd")
	if err != nil {
		if os.Getenv("COILWARD_REAL") == "1" {
			t.Fatal("influxd is not on the path")
		}
		t.Skip("influxd is not on the path; .ci/run installs it")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	config := filepath.Join(dir, "influxd.conf")
	if err := os.WriteFile(config, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command(program, "run", "-config", config)
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.Env = append(os.Environ(),
		"INFLUXDB_REPORTING_DISABLED=true", "INFLUXDB_BIND_ADDRESS=127.0.0.1:0",
		"INFLUXDB_META_DIR="+filepath.Join(dir, "meta"), "INFLUXDB_DATA_DIR="+filepath.Join(dir, "data"),
		"INFLUXDB_DATA_WAL_DIR="+filepath.Join(dir, "wal"),
		"INFLUXDB_HTTP_BIND_ADDRESS="+address, "INFLUXDB_HTTP_FLUX_ENABLED=true", "INFLUXDB_HTTP_LOG_ENABLED=false")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(log.String())
		}
	})
	base := "http://" + address
	for deadline := time.Now().Add(30 * time.Second); ; { // until it listens
		answer, err := http.PostForm(base+"/query", url.Values{"q": {"CREATE DATABASE coolers WITH NAME raw"}})
		if err == nil {
			_ = answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return base
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("influxd does not answer: %v", err)
		}
		<-time.After(50 * time.Millisecond)
	}
}

func TestRealServer(t *testing.T) {
	base := influxd(t)
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
