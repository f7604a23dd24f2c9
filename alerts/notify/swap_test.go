package notify

import (
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

func TestSwapCountsFirst(t *testing.T) {
	noon := time.Date(2026, 7, 8, 12, 0, 0, 0, time.UTC) // Wednesday
	s := &Settings{
		People: []Person{{ID: "ana", Name: "Ana", Contacts: []Contact{{Channel: "email", To: "a@mail.example"}}}, {ID: "ben", Name: "Ben", Contacts: []Contact{{Channel: "email", To: "b@mail.example"}}}, {ID: "cy", Name: "Cy"}},
		Rotas: []Rota{{Name: "all", TimeZone: "UTC", Start: "2026-07-06", Handover: 8 * 60, People: []string{"ana", "ben"},
			Overrides: []Override{{From: noon, To: noon.Add(time.Hour), Person: "cy"}}}, {Name: "other", TimeZone: "UTC", Start: "2026-07-06", People: []string{"ana"}}},
	}
	swap := Swap{Rota: "all", Override: Override{From: noon, To: noon.Add(20 * time.Hour), Person: "ben"}}
	if err := s.CheckSwap(&swap, noon); err != nil {
		t.Fatal(err)
	}
	with := s.With([]Swap{swap, {Rota: "gone", Override: swap.Override}, {Rota: "all", Override: Override{From: noon, To: noon.Add(time.Hour), Person: "gone"}}})
	for at, want := range map[time.Time]string{noon.Add(-time.Minute): "ana", noon: "ben", noon.Add(2 * time.Hour): "ben", noon.Add(20 * time.Hour): "ana"} {
		if got := with.Rotas[0].Chain(at)[0]; got != want {
			t.Errorf("%s: %s, want %s", at, got, want)
		}
	}
	if c := with.Rotas[1].Chain(noon); c[0] != "ana" || len(s.Rotas[0].Overrides) != 1 {
		t.Errorf("another rota, or the file itself, was changed: %v, %v", c, s.Rotas[0].Overrides)
	}
	for want, x := range map[string]Swap{
		"no such rota":      {Rota: "gone", Override: swap.Override},
		"choose who":        {Rota: "all", Override: Override{From: noon, To: noon.Add(time.Hour)}},
		"cannot be reached": {Rota: "all", Override: Override{From: noon, To: noon.Add(time.Hour), Person: "cy"}},
		"ends before":       {Rota: "all", Override: Override{From: noon, To: noon, Person: "ben"}},
		"over already":      {Rota: "all", Override: Override{From: noon.Add(-2 * time.Hour), To: noon.Add(-time.Hour), Person: "ben"}},
		"at most 14 days":   {Rota: "all", Override: Override{From: noon, To: noon.Add(15 * 24 * time.Hour), Person: "ben"}},
		"on call then":      {Rota: "other", Override: Override{From: noon, To: noon.Add(20 * time.Hour), Person: "ana"}},
	} {
		if err := s.CheckSwap(&x, noon); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", x, err, want)
		}
	}
}

// Whoever takes a turn, and whose turn it is, both hear of it in their own language and
// time: at once, or when their quiet hours are over, if that is before it begins.
func TestBothHearOfASwap(t *testing.T) {
	noon := time.Date(2026, 7, 8, 12, 0, 0, 0, time.UTC)
	contact := func(to string) []Contact { return []Contact{{Channel: "email", To: to, From: alerts.High}} }
	s := &Settings{
		People: []Person{{ID: "ana", Name: "Ana", TimeZone: "UTC", Contacts: contact("a@mail.example")},
			{ID: "ben", Name: "Ben", TimeZone: "America/Denver", Language: "es", Contacts: contact("b@mail.example"), QuietFrom: 0, QuietTo: 8 * 60},
			{ID: "cy", Name: "Cy", TimeZone: "UTC", Contacts: contact("c@mail.example")}},
		Rotas: []Rota{{Name: "all", TimeZone: "UTC", Start: "2026-07-06", Handover: 8 * 60, People: []string{"ana", "cy"}}},
	}
	team := NewTeam(TeamOptions{Settings: s})
	x := Swap{ID: "3", Rota: "all", Override: Override{From: noon.Add(6 * time.Hour), To: noon.Add(10 * time.Hour), Person: "ben", Why: "swapped"}, By: "Olga"}
	told := func(back string, now time.Time) map[string]ledger.Message {
		out := map[string]ledger.Message{}
		for _, m := range team.Turn(&x, s, back, now) {
			out[m.To] = m
		}
		return out
	}
	got := told("", noon) // six in the morning in Denver
	ana, ben := got["a@mail.example"], got["b@mail.example"]
	if len(got) != 2 || ana.Text != "Ana, Ben is on call for all in your place from Wed, Jul 8 18:00 UTC to Wed, Jul 8 22:00 UTC (swapped). Entered by Olga.\n" || ana.Subject != "Not on call: all, Wed, Jul 8 18:00 UTC" || !ana.Due.Equal(noon) {
		t.Errorf("%d told; the relieved: %q, %q, due %s", len(got), ana.Subject, ana.Text, ana.Due)
	}
	if ben.Text != "Ben, está de guardia en all desde mié 8 jul 12:00 MDT hasta mié 8 jul 16:00 MDT, en lugar de Ana (swapped). Lo anotó Olga.\n" || !ben.Due.Equal(noon.Add(2*time.Hour)) {
		t.Errorf("who takes it: %q, due %s", ben.Text, ben.Due)
	}
	x.From = noon.Add(time.Hour) // before the quiet hours are over
	if got := told("", noon)["b@mail.example"]; !got.Due.Equal(noon) {
		t.Errorf("a turn that begins in quiet hours is told at %s", got.Due)
	}
	back := told("Piet", noon)
	if a, b := back["a@mail.example"], back["b@mail.example"]; !strings.Contains(a.Text, "Ana, you are on call again for all from") || !strings.Contains(a.Text, "Piet took the change back") ||
		!strings.Contains(b.Text, "ya no está de guardia") || a.Key == ana.Key {
		t.Errorf("taken back: %q, %q", a.Text, b.Text)
	}
	// Over a hand-over two are relieved.
	x.To = noon.Add(6 * 24 * time.Hour)
	if got := told("", noon); len(got) != 3 || !strings.Contains(got["b@mail.example"].Text, "en lugar de Ana, Cy") {
		t.Errorf("%d told over a hand-over: %q", len(got), got["b@mail.example"].Text)
	}
}
