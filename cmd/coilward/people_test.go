package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"coilward/alerts/notify"
)

// withPeopleFile is a daemon that has no more than a people file, a ledger and a clock.
func withPeopleFile(t *testing.T, file string) *daemon {
	t.Helper()
	l, err := openLedger(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return &daemon{config: &config{Notify: notifyConfig{PeopleFile: file}}, log: zerolog.Nop(), ledger: l,
		clock: newFastClock(time.Date(2026, 7, 8, 22, 0, 0, 0, time.UTC), time.Now)}
}

// TestPeopleExample: the example of the people file is good, there are texts in
// everybody's language, and it says who is on call.
func TestPeopleExample(t *testing.T) {
	c := notifyConfig{PeopleFile: filepath.Join("..", "..", "deploy", "people.example.json")}
	people, err := c.people()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.texts(people); err != nil {
		t.Error(err)
	}
	for day, want := range map[string]string{"2026-07-02T12:00:00Z": "tobias", "2026-06-30T12:00:00Z": "tobias", "2026-06-25T12:00:00Z": "ines", "2026-07-07T00:00:00Z": "tobias", "2026-12-25T18:00:00Z": "tobias"} {
		at, err := time.Parse(time.RFC3339, day)
		if err != nil {
			t.Fatal(err)
		}
		if chain := people.Rota("anywhere").Chain(at); chain[0] != want {
			t.Errorf("%s: %v, want %s first", day, chain, want)
		}
	}
}

// The people file is read again; one with an error leaves the people as they were.
func TestPeopleAreReadAgain(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "people.json")
	write := func(name, language string) {
		t.Helper()
		text := `{"people":[{"id":"ana","name":"` + name + `","language":"` + language + `","time_zone":"UTC","quiet_from":"00:00","quiet_to":"00:00","summary_at":"06:30","contacts":[{"channel":"mqtt","to":"a","from":"low"}]}]}`
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("Ana", "es")
	d := withPeopleFile(t, file)
	if err := d.people(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, language, want string }{{"Ana Reyes", "es", "Ana Reyes"}, {"Ana Sol", "xx", "Ana Reyes"}, {"Ana Sol", "", "Ana Sol"}} {
		write(c.name, c.language)
		d.reloadPeople()
		if got := d.team.Settings().People[0].Name; got != c.want {
			t.Errorf("after %q in %q: %q", c.name, c.language, got)
		}
	}
}

// A swap made on the board counts before the people file, through a file that is read
// again and a restart, until it is taken back; who made it and who took it back is kept.
func TestSwapOutlastsTheFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "people.json")
	text := `{"people":[{"id":"ana","name":"Ana","time_zone":"UTC","quiet_from":"00:00","quiet_to":"00:00","summary_at":"06:30","contacts":[{"channel":"mqtt","to":"a","from":"low"}]},
		{"id":"ben","name":"Ben","time_zone":"UTC","quiet_from":"00:00","quiet_to":"00:00","summary_at":"06:30","contacts":[{"channel":"mqtt","to":"b","from":"low"}]}],
		"rotas":[{"name":"all","time_zone":"UTC","start":"2026-07-06","handover":"08:00","people":["ana"]}]}`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := withPeopleFile(t, file)
	if err := d.people(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	now := d.clock.Now()
	oncall := func(when string, d *daemon, after time.Duration, want string) {
		t.Helper()
		if got := d.team.Chain("anywhere", now.Add(after))[0]; got != want {
			t.Errorf("%s: %s is on call, want %s", when, got, want)
		}
	}
	x := notify.Swap{Rota: "all", Override: notify.Override{From: now.Add(-time.Minute), To: now.Add(10 * time.Hour), Person: "ben", Why: "swapped for Friday"}, By: "Olga"}
	bad := x
	bad.Person = "nobody"
	if err := (boardPeople{d}).Swap(t.Context(), bad); err == nil || !strings.Contains(err.Error(), "choose who") {
		t.Errorf("nobody: %v", err)
	}
	if err := (boardPeople{d}).Swap(t.Context(), x); err != nil {
		t.Fatal(err)
	}
	oncall("swapped", d, 0, "ben")
	told := func(when string, want ...string) {
		t.Helper()
		due, err := d.ledger.Due(t.Context(), "mqtt", now.Add(time.Hour), 100)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, m := range due {
			got = append(got, m.Person+": "+m.Subject)
		}
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("%s: told %q, want %q", when, got, want)
		}
	}
	told("swapped", "ana: Not on call: all, Wed, Jul 8 21:59 UTC", "ben: On call: all, Wed, Jul 8 21:59 UTC")
	oncall("when it is over", d, 10*time.Hour, "ana")
	d.reloadPeople()
	oncall("the file read again", d, 0, "ben")
	again := &daemon{config: d.config, log: d.log, ledger: d.ledger, clock: d.clock}
	if err := again.people(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	oncall("after a restart", again, 0, "ben")
	b := boardPeople{again}
	list := b.Swaps()
	if len(list) != 1 || list[0].By != "Olga" {
		t.Fatalf("%+v", list)
	}
	if err := b.TakeBack(t.Context(), list[0].ID, "Piet"); err != nil || len(b.Swaps()) != 0 {
		t.Errorf("%v %+v", err, b.Swaps())
	}
	oncall("taken back", again, time.Minute, "ana")
	told("taken back", "ana: Not on call: all, Wed, Jul 8 21:59 UTC", "ana: On call: all, Wed, Jul 8 22:00 UTC",
		"ben: Not on call: all, Wed, Jul 8 22:00 UTC", "ben: On call: all, Wed, Jul 8 21:59 UTC")
	oncall("what was, stays", again, -time.Second, "ben")
	versions, err := d.ledger.Versions(t.Context(), swapsSetting)
	if err != nil || len(versions) != 2 || versions[0].Who != "Piet" || versions[1].Who != "Olga" || !strings.Contains(versions[0].Why, "took back ben") {
		t.Errorf("%+v %v", versions, err)
	}
}
