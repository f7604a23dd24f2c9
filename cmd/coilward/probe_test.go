package main

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector/mqtt"
	"coilward/collector/porttest"
)

// running starts a daemon with its own address for metrics.
func running(t *testing.T, change func(*config)) (d *daemon, log *lockedBuffer, metrics string, stop func()) {
	t.Helper()
	dir := t.TempDir()
	c := defaults()
	c.DataDir, c.hasBroker, c.FleetFile = filepath.Join(dir, "data"), true, filepath.Join(dir, "fleet.yaml")
	c.Broker.Listen, c.Board.Listen, c.Metrics.Listen = "127.0.0.1:0", "127.0.0.1:0", "127.0.0.1:0"
	if change != nil {
		change(&c)
	}
	_, f := invented(t, 3, 1)
	log = &lockedBuffer{}
	ctx, cancel := context.WithCancel(context.Background())
	d, err := newDaemon(ctx, &c, f, wallClock{}, zerolog.New(log))
	if err != nil {
		t.Fatal(err)
	}
	ready, probed := make(chan struct{}), make(chan string, 1)
	d.ready, d.probed = func() { close(ready) }, func(a string) { probed <- a }
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	stop = func() {
		cancel()
		within(t, "the daemon ends", func(context.Context) error { return <-ended })
	}
	select {
	case <-ready:
	case err := <-ended:
		t.Fatalf("the daemon ended: %v", err)
	case <-time.After(longest):
		t.Fatalf("the daemon does not begin\n%s", standing())
	}
	return d, log, <-probed, stop
}

// Every figure that the alerting rules ask for is one that the daemon has.
func TestRulesAskForWhatThereIs(t *testing.T) {
	_, _, address, stop := running(t, func(c *config) {
		c.MQTT = mqtt.Defaults()
		c.MQTT.Broker = "tcp://" + porttest.Address(t) // nobody is there
	})
	defer stop()
	status, text := ask(address, "/metrics")
	if status != http.StatusOK {
		t.Fatalf("/metrics: %d", status)
	}
	if status, text := ask(address, "/livez"); status != http.StatusOK || text != "ok\n" {
		t.Errorf("/livez: %d %q", status, text)
	}
	if status, text := ask(address, "/readyz"); status != http.StatusServiceUnavailable || !strings.Contains(text, "broker") {
		t.Errorf("/readyz without the broker: %d %q", status, text)
	}
	if status, _ := ask(address, "/"); status != http.StatusNotFound {
		t.Errorf("the board is at the metrics' address: %d", status)
	}
	var has []string
	for _, line := range strings.Split(text, "\n") {
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok {
			has = append(has, strings.Fields(name)[0])
		}
	}
	rules, err := os.ReadFile(filepath.Join("..", "..", "deploy", "prometheus", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	asked := regexp.MustCompile(`coilward_[a-z_]+[a-z]`).FindAllString(string(rules), -1)
	if len(asked) < 6 {
		t.Fatalf("only %q are asked for", asked)
	}
	for _, name := range asked {
		if !slices.Contains(has, name) {
			t.Errorf("rules.yaml asks for %s, which the daemon does not have", name)
		}
	}
	check := exec.Command(real(t, "promtool"), "check", "metrics")
	check.Stdin = strings.NewReader(text)
	if out, err := check.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

const oneSite = `sites:
  - id: oakmill
    name: Oak Mill Works, canteen
    timezone: America/New_York
    machines:
      - {id: cab-0417, kind: glass-door, product: sealed-beverage}
`

// A fleet file with errors is not taken: the one before stays, and the log tells
// every problem with its line. A good one is.
func TestReload(t *testing.T) {
	d, log, _, stop := running(t, nil)
	defer stop()
	before := d.fleet.Load()
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(d.config.FleetFile, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	bad := strings.Replace(strings.Replace(oneSite, "glass-door", "glass-dor", 1), "America/New_York", "America/Nowhere", 1)
	write(bad)
	d.reload(t.Context())
	if d.fleet.Load() != before {
		t.Fatal("a fleet file with errors was taken")
	}
	for _, want := range []string{"fleet.yaml:4:", "fleet.yaml:6:", "stays in use"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log does not say %q:\n%s", want, log.String())
		}
	}
	// Nobody need look at the log to see it.
	health := d.degraded()
	if len(health) != 1 || health[0].Part != "fleet file" || !strings.Contains(health[0].Text, "fleet.yaml:4:") || !strings.Contains(health[0].Text, "And 1 more") {
		t.Errorf("the board says %+v", health)
	}
	if got := gauged(t, d, "coilward_fleet_file_refused"); got != 1 {
		t.Errorf("coilward_fleet_file_refused is %v", got)
	}
	write(oneSite)
	d.reload(t.Context())
	if got := gauged(t, d, "coilward_fleet_file_refused"); got != 0 || len(d.degraded()) != 0 {
		t.Errorf("after a good file coilward_fleet_file_refused is %v, and the board says %+v", got, d.degraded())
	}
	if f := d.fleet.Load(); f.Len() != 1 || !f.Listed("cab-0417") {
		t.Errorf("the good file was not taken: %d machines", f.Len())
	}
	if err := os.Remove(d.config.FleetFile); err != nil {
		t.Fatal(err)
	}
	d.reload(t.Context())
	if d.fleet.Load().Len() != 1 {
		t.Error("a fleet file that is gone took the fleet with it")
	}
}

// gauged is the value of a gauge without labels.
func gauged(t *testing.T, d *daemon, name string) float64 {
	t.Helper()
	families, err := d.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == name {
			return f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	t.Fatalf("there is no %s", name)
	return 0
}

// SIGHUP reloads.
func TestHangup(t *testing.T) {
	c := make(chan os.Signal, 1) // until the daemon listens, a SIGHUP must not end the test
	signal.Notify(c, syscall.SIGHUP)
	defer signal.Stop(c)
	d, log, _, stop := running(t, func(c *config) {
		// Already so at the start, or the change of the file would be seen as well.
		if err := os.WriteFile(c.FleetFile, []byte("sites: 7\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	})
	defer stop()
	eventually(t, "the log tells of the bad fleet file", func() bool {
		if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		return strings.Contains(log.String(), "stays in use")
	})
	if d.fleet.Load().Len() != 3 {
		t.Errorf("%d machines, the old file has 3", d.fleet.Load().Len())
	}
	if !strings.Contains(log.String(), "fleet.yaml:1:") {
		t.Errorf("the line is not told:\n%s", log.String())
	}
}

// lockedBuffer is a log that is read while it is written.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write appends.
func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// String returns what was written so far.
func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
