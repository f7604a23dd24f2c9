package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"coilward/collector/fleet"
	"coilward/collector/history"
)

// A daemon that cannot begin says why, and gives back what it opened.
func TestDaemonThatCannotBegin(t *testing.T) {
	dir := t.TempDir()
	c := defaults()
	c.DataDir, c.hasBroker, c.Broker.Listen = dir, true, "127.0.0.1:0"
	if err := os.Mkdir(filepath.Join(dir, ledgerFile), 0o700); err != nil { // where a file must be
		t.Fatal(err)
	}
	f, err := fleet.Parse("fleet.yaml", []byte("sites: []\n"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := newDaemon(t.Context(), &c, f, newFastClock(demoLive, nil), zerolog.Nop())
	if d != nil || err == nil || !strings.Contains(err.Error(), ledgerFile) {
		t.Fatalf("daemon %v, error %v; want one that names %s", d != nil, err, ledgerFile)
	}
	store, err := history.Open(history.Options{Dir: filepath.Join(dir, historyDir), Log: zerolog.Nop()})
	if err != nil {
		t.Fatalf("the history is still held: %v", err)
	}
	if err := store.Close(); err != nil {
		t.Error(err)
	}
}
