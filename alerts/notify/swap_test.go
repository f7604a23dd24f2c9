package notify

import (
	"strings"
	"testing"
	"time"
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
