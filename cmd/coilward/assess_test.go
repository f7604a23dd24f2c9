package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// assess judges what replay says, to the byte, and learn takes the same folder.
func TestAssessSaysWhatReplaySays(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "fleet")
	do := func(want int, args ...string) (stdout, stderr string) {
		t.Helper()
		var out, errs bytes.Buffer
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if got := run(ctx, args, &streams{strings.NewReader(""), &out, &errs}); got != want {
			t.Fatalf("%s: status %d, not %d: %s", args[0], got, want, errs.String())
		}
		return out.String(), errs.String()
	}
	do(statusOK, "simulate", "--out", dir, "--machines", "6", "--days", "2", "--seed", "3", "--faults", "1", "--interval", "120")
	replayed, _ := do(statusOK, "replay", "--fleet", filepath.Join(dir, "fleet.yaml"), filepath.Join(dir, "messages.ndjson.gz"))
	if replayed == "" {
		t.Fatal("six faulty machines, and replay says nothing: the fleet is no test")
	}
	said := filepath.Join(t.TempDir(), "said.ndjson")
	report, _ := do(statusOK, "assess", "--findings", said, dir)
	assessed, err := os.ReadFile(said)
	if err != nil {
		t.Fatal(err)
	}
	if string(assessed) != replayed {
		t.Errorf("assess runs the models otherwise than replay:\n%s\n%s", assessed, replayed)
	}
	for _, want := range []string{"6 machines, 2 days", "False alarms", "Brier score"} {
		if !strings.Contains(report, want) {
			t.Errorf("%q is not in\n%s", want, report)
		}
	}
	// Six faults are not all there are: the table would not know the rest.
	table := filepath.Join(t.TempDir(), "table.json")
	if _, errs := do(statusFailed, "learn", "--out", table, dir); !strings.Contains(errs, "add fleets in which it happens") {
		t.Errorf("learn says %s", errs)
	}
	if _, err := os.Stat(table); err == nil {
		t.Error("a table was written from too little")
	}
	if err := os.Remove(filepath.Join(dir, "truth.json")); err != nil {
		t.Fatal(err)
	}
	if _, errs := do(statusFailed, "assess", dir); !strings.Contains(errs, "truth beside it") {
		t.Errorf("assess says %s", errs)
	}
}
