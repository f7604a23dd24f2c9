package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

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
	d := &daemon{config: &config{Notify: notifyConfig{PeopleFile: file}}, log: zerolog.Nop()}
	if err := d.people(nil); err != nil {
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
