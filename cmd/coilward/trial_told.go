package main

import (
	"coilward/alerts"
	"coilward/alerts/notify"
	"coilward/alerts/trial"
	"coilward/collector/fleet"
)

// whoIsTold says who would be told of a change: one message a person, however many
// ways there are to reach them, when it goes out.
func whoIsTold(s *notify.Settings, f *fleet.Fleet) func(alerts.Change) []trial.Told {
	if len(s.People) == 0 {
		s = somebody()
	}
	team := notify.NewTeam(notify.TeamOptions{Settings: s, Machine: func(id string) *fleet.Machine {
		m, _ := f.Machine(id)
		return m
	}, Place: func(site string) notify.Place { return notify.Place{Name: site} },
		Quiet: notify.QuietOf(func() *fleet.Fleet { return f })})
	sent := map[string]bool{} // by the key that makes the ledger send once
	return func(c alerts.Change) []trial.Told {
		var out []trial.Told
		for _, m := range team.Tell(c) {
			again := sent[m.Key]
			sent[m.Key] = true
			if again || len(out) > 0 && out[len(out)-1].Person == m.Person {
				continue
			}
			out = append(out, trial.Told{Person: m.Person, Told: alerts.Told{At: m.Due, Alert: m.Alert, Priority: m.Priority}})
		}
		return out
	}
}

// somebody is told everything, where the configuration names nobody.
func somebody() *notify.Settings {
	p := notify.Person{ID: "whoever is on call", Name: "whoever is on call", TimeZone: "UTC", Contacts: []notify.Contact{{Channel: "email", To: "trial"}}}
	return &notify.Settings{
		People: []notify.Person{p}, EscalateAfter: notify.DefaultEscalation(),
		Rotas: []notify.Rota{{Name: "everything", TimeZone: "UTC", Start: "2026-01-05", People: []string{p.ID}}},
	}
}
