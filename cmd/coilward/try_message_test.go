package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/notify"
)

// messageRig is a configuration whose people are reached by a webhook at a server of
// the test.
func messageRig(t *testing.T, status int) (config string, texts func() []string) {
	t.Helper()
	var mu sync.Mutex
	var got []string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		var m struct{ Text string }
		_ = json.Unmarshal(b, &m)
		mu.Lock()
		got = append(got, m.Text)
		mu.Unlock()
		w.WriteHeader(status)
	}))
	t.Cleanup(server.Close)
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("secret", "0123456789abcdef")
	write("people.json", fmt.Sprintf(`{"people":[{"id":"ana","name":"Ana","time_zone":"America/Phoenix","language":"es","fahrenheit":true,"contacts":[{"channel":"webhook","to":%q,"from":"low"}]}],"rotas":[]}`, server.URL))
	write("coilward.yaml", "fleet_file: fleet.yaml\ndata_dir: data\nnotify:\n  people_file: people.json\n  webhook:\n    secret_file: secret\n")
	if err := os.Mkdir(filepath.Join(dir, "data"), 0o750); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "coilward.yaml"), func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), got...)
	}
}

func type2(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), args, &streams{strings.NewReader(""), &o, &e})
	return status, o.String(), e.String()
}

// TestTryMessage sends over the person's way, in their language, and tells what came
// of it.
func TestTryMessage(t *testing.T) {
	conf, texts := messageRig(t, 204)
	status, out, errs := type2("try-message", "--config", conf, "--person", "ana")
	if status != statusOK || !strings.Contains(out, "webhook http") || !strings.Contains(out, "taken by the other side") {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	if got := texts(); len(got) != 1 || !strings.Contains(got[0], "Esto es una prueba") || !strings.Contains(got[0], "°F") || !strings.Contains(got[0], "MST") {
		t.Errorf("sent %q", got)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--person", "eve"}, "none of the people: ana"},
		{[]string{"--person", "ana", "--channel", "email"}, `not reached over "email"`},
	} {
		if status, _, errs := type2(append([]string{"try-message", "--config", conf}, c.args...)...); status != statusUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%v: %d %s", c.args, status, errs)
		}
	}
}

func TestTryMessageThatFails(t *testing.T) {
	conf, texts := messageRig(t, 401)
	status, out, _ := type2("try-message", "--config", conf, "--person", "ana")
	if status != statusFailed || !strings.Contains(out, "not sent") || !strings.Contains(out, "401") || len(texts()) != 1 {
		t.Errorf("status %d, %s, sent %v", status, out, texts())
	}
}

// TestTryMessageThroughADaemon: where a daemon runs on the data, it sends.
func TestTryMessageThroughADaemon(t *testing.T) {
	conf, texts := messageRig(t, 200)
	c, err := readConfig(conf)
	if err != nil {
		t.Fatal(err)
	}
	socket, err := net.Listen("unix", filepath.Join(c.DataDir, adminSocket))
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	go func() {
		for {
			conn, err := socket.Accept()
			if err != nil {
				return
			}
			conn.Close()
		}
	}()
	if status, out, _ := type2("try-message", "--config", conf, "--person", "ana", "--wait", "1ms"); status != statusFailed || !strings.Contains(out, "no attempt was made yet") || len(texts()) != 0 {
		t.Errorf("before the daemon looked: %d %s", status, out)
	}
	l, err := openLedger(t.Context(), c.DataDir)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	senders, err := c.Notify.senders(nil)
	if err != nil {
		t.Fatal(err)
	}
	loop, err := notify.NewLoop(notify.LoopOptions{Outbox: l, Senders: senders, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- loop.Run(ctx) }()
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-ticker.C:
				loop.Wake()
			}
		}
	}()
	if status, out, _ := type2("try-message", "--config", conf, "--person", "ana"); status != statusOK {
		t.Errorf("%d %s", status, out)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if got := texts(); len(got) != 2 {
		t.Errorf("%d messages for two tries: %q", len(got), got)
	}
}
