package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"coilward/collector/fleet"
)

// TestScenario replays the days of testdata/scenario and compares what is said
// with the golden findings. why.md says what must be seen there, and why.
func TestScenario(t *testing.T) {
	folders, err := filepath.Glob(filepath.Join("..", "..", "testdata", "scenario", "*"))
	if err != nil || len(folders) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	for _, dir := range folders {
		t.Run(filepath.Base(dir), func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join(dir, "fleet.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			f, err := fleet.Parse("fleet.yaml", data)
			if err != nil {
				t.Fatal(err)
			}
			var out, problems bytes.Buffer
			r := &replay{fleet: f, out: bufio.NewWriter(&out), errors: &problems}
			if err := r.files(t.Context(), []string{filepath.Join(dir, "messages.ndjson.gz")}); err != nil {
				t.Fatal(err)
			}
			r.out.Flush()
			if problems.Len() > 0 {
				t.Errorf("problems: %s", problems.String())
			}
			must(t, filepath.Join(dir, "why.md"), out.String())
			golden := filepath.Join(dir, "findings.golden.ndjson")
			if *update {
				if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(out.Bytes(), want) {
				t.Errorf("other findings; run with -update and look at the difference\n got:\n%s\nwant:\n%s", head(out.String()), head(string(want)))
			}
		})
	}
}

// must checks the lines of why.md that begin with raised, cleared and not raised:
// an updated golden file still has to say what must be seen.
func must(t *testing.T, why, said string) {
	t.Helper()
	text, err := os.ReadFile(why)
	if err != nil {
		t.Fatal(err)
	}
	checks := 0
	for line := range strings.Lines(string(text)) {
		what, of, ok := strings.Cut(strings.TrimPrefix(strings.TrimSpace(line), "- "), ": ")
		words := strings.Fields(of)
		if !ok || len(words) != 2 || !strings.HasPrefix(line, "- ") {
			continue
		}
		checks++
		change, not := strings.CutPrefix(what, "not ")
		seen := false
		for finding := range strings.Lines(said) {
			var f struct{ Machine, Change, Fault string }
			if err := json.Unmarshal([]byte(finding), &f); err != nil {
				t.Fatal(err)
			}
			seen = seen || f.Machine == words[0] && f.Fault == words[1] && f.Change == change
		}
		if seen == not {
			t.Errorf("%s says %q", why, strings.TrimSpace(line))
		}
	}
	if checks == 0 {
		t.Errorf("%s says nothing that must be seen", why)
	}
}

func head(s string) string {
	lines := strings.SplitAfter(s, "\n")
	return strings.Join(lines[:min(len(lines), 6)], "")
}
