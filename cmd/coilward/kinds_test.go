package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"coilward/alerts/ledger"
	"coilward/collector/fleet"
	"coilward/collector/simulate"
	"coilward/detect/kin"
)

// oneKind is the invented fleet as a file tells it that calls all machines by one
// kind: five of a kind are needed to learn from.
func oneKind(t *testing.T, machines, days int) (*simulate.Fleet, *fleet.Fleet) {
	sim, _ := invented(t, machines, days)
	text := regexp.MustCompile(`kind: [a-z-]+`).ReplaceAllString(sim.YAML(), "kind: glass-door")
	f, err := fleet.Parse("fleet.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return sim, f
}

// Machines that begin after something was learned begin with it, in the live run,
// after restarts and in a replay; a machine that was heard before does not.
func TestKindsLiveEqualsReplay(t *testing.T) {
	const machines, days = 12, 2
	sim, f := oneKind(t, machines, days)
	begin := sim.Now()
	later := map[string]bool{} // are installed at half past eleven
	for m := range f.All {
		if len(later) < 3 {
			later[m.ID] = true
		}
	}
	dir := t.TempDir()
	l := startLive(t, dir, f, begin)
	l.mute = func(m string) bool { return later[m] }
	l.play(t, sim, 11*time.Hour)
	// A visit too is learned from.
	for id := range later {
		err := l.d.ledger.PutVisit(t.Context(), ledger.Visit{ID: "V-" + id, Machine: id, At: l.clock.Now(), Closed: true, Label: "door-leak", Body: []byte("{}")}, "", "")
		if err != nil {
			t.Fatal(err)
		}
	}
	v, err := l.d.learnKinds(t.Context(), 5)
	if err != nil || v == nil {
		t.Fatalf("nothing was learned: %v", err)
	}
	if k := v.Kinds["glass-door"]; k == nil || k.Machines < kin.Least || len(k.Levels) < 3 || k.Found["door-leak"] != 3 || v.Number != 1 {
		t.Fatalf("version %d says of the kind %+v", v.Number, k)
	}
	if again, err := l.d.learnKinds(t.Context(), 5); err != nil || again != nil {
		t.Errorf("the same was learned twice: %v, %v", again, err)
	}
	l.play(t, sim, 30*time.Minute)
	l.mute = nil
	l.play(t, sim, 13*time.Hour+7*time.Minute)
	l.stop()
	l = startLive(t, dir, f, sim.Now())
	l.play(t, sim, 23*time.Hour+23*time.Minute)
	l.stop()
	said := reported(t, dir, f)
	end := begin.Add(days * 24 * time.Hour)
	same(t, "replay", replayed(t, dir, f, 2, begin, end), said)

	// What was learned is what made the difference.
	blind := t.TempDir()
	if err := os.CopyFS(filepath.Join(blind, "history"), os.DirFS(filepath.Join(dir, "history"))); err != nil {
		t.Fatal(err)
	}
	if without := replayed(t, blind, f, 2, begin, end); strings.Join(without, "\n") == strings.Join(said, "\n") {
		t.Error("machines that began with what is known of their kind say what they say without it")
	}

	// The commands tell of it.
	conf := filepath.Join(dir, "coilward.yaml")
	if err := os.WriteFile(conf, []byte("data_dir: .\nfleet_file: fleet.yaml\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ args, want string }{
		{"list", "glass-door"}, {"show", "door-leak"}, {"show 1", "min into a rest"}, {"export", `"from_ms"`},
	} {
		var out, complaints bytes.Buffer
		args := append([]string{"kinds"}, strings.Fields(c.args)...)
		if status := run(t.Context(), append(args, "--config", conf), &streams{nil, &out, &complaints}); status != statusOK || !strings.Contains(out.String(), c.want) {
			t.Errorf("kinds %s: status %d, %q, %s", c.args, status, out.String(), complaints.String())
		}
	}
}
