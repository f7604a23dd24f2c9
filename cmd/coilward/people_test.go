package main

import (
	"path/filepath"
	"testing"
	"time"
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
