package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/collector/history"
	"coilward/collector/influx"
	"coilward/collector/influx/influxtest"
)

// A trial on the copy in InfluxDB says what the trial on the history says, to the
// byte, and finds the same.
func TestTrialOnInflux(t *testing.T) {
	base := influxtest.Start(t)
	dir, sim := recordedDays(t, 6, 2)
	cursor := filepath.Join(dir, "cursor")
	store, err := history.Open(history.Options{Dir: filepath.Join(dir, "data", "history"), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	db := influx.New(influx.Options{URL: base, Bucket: influxtest.Bucket, Source: store, Cursor: cursor, Every: 10 * time.Millisecond, Log: zerolog.Nop()})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- db.Run(ctx) }()
	for text, deadline := "", time.Now().Add(time.Minute); text != fmt.Sprint(store.LastSeq()); {
		if time.Now().After(deadline) {
			t.Fatalf("the copy is at %q of %d", text, store.LastSeq())
		}
		<-time.After(20 * time.Millisecond)
		b, _ := os.ReadFile(cursor) // not there yet
		text = strings.TrimSpace(string(b))
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	db.Close()
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "influx.yaml")
	text := fmt.Sprintf("data_dir: data\ninflux: {url: %q, bucket: %q}\n", base, influxtest.Bucket)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	proposed := filepath.Join(dir, "proposed.yaml")
	if err := os.WriteFile(proposed, []byte(strings.ReplaceAll(sim.yaml, "sealed-beverage", "dairy")), 0o600); err != nil {
		t.Fatal(err)
	}
	machine := ""
	for line := range strings.SplitSeq(sim.yaml, "\n") {
		if _, id, ok := strings.Cut(line, "- id: "); ok && machine == "" && strings.HasPrefix(id, "cab") {
			machine = id
		}
	}
	for _, more := range [][]string{{"--days", "1"}, {"--days", "1", "--learn", "1", "--machine", machine}} {
		var said [2]string
		var found [2]map[string]string
		for i, from := range []string{"embedded", "influx"} {
			findings := filepath.Join(t.TempDir(), "findings")
			args := append([]string{"trial", "--json", "--share", "1", "--config", config, "--fleet", proposed, "--history", from, "--findings", findings}, more...)
			said[i] = typedOK(t, args...)
			found[i] = map[string]string{}
			for name, text := range contents(t, findings) {
				found[i][filepath.Base(name)] = text
			}
		}
		if said[0] != said[1] {
			t.Errorf("%v: on InfluxDB\n%s\non the history\n%s", more, said[1], said[0])
		}
		for _, name := range []string{"now.ndjson", "with.ndjson"} {
			if found[0][name] != found[1][name] || strings.Count(found[0][name], "\n") == 0 {
				t.Errorf("%v: %s: on InfluxDB\n%s\non the history\n%s", more, name, found[1][name], found[0][name])
			}
		}
	}
	if problem := typedBad(t, "trial", "--config", filepath.Join(dir, "coilward.yaml"), "--fleet", proposed, "--history", "influx"); !strings.Contains(problem, "set influx.url") {
		t.Errorf("without InfluxDB: %s", problem)
	}
}
