package notify

import (
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect/fault"
)

// planned is a route of one stop.
func planned(t *testing.T) (*route.Route, time.Time) {
	t.Helper()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	p := route.Problem{Now: now, Costs: route.DefaultCosts, Parts: route.DefaultParts(),
		Techs: []route.Tech{{ID: "a", Start: route.Point{Latitude: 40.4, Longitude: -79.99}, End: route.Point{Latitude: 40.4, Longitude: -79.99}, From: now, Until: now.Add(8 * time.Hour), Van: map[string]int{"door gasket": 1}}},
		Stops: []route.Stop{{ID: "oakmill", Name: "Oak Mill Works, canteen", Place: route.Point{Latitude: 40.44, Longitude: -79.99}, Location: zone,
			Windows: []route.Window{{Open: now.Add(time.Hour), Close: now.Add(9 * time.Hour)}},
			Jobs: []route.Job{{Machine: "cab-0417", Kind: fleet.GlassDoor, Fault: fault.CoilIced, Probability: 0.82, TCS: true, Alert: "A-1",
				Loss: route.Loss{Value: 420, Probability: 0.9, Early: now.Add(4 * time.Hour), Late: now.Add(6 * time.Hour)}}}}}}
	plan, err := route.Make(t.Context(), p, route.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &plan.Routes[0], now
}

// A route is told in the tech's language, on the clocks of the stops, with what to
// load, the latest useful arrival, a place for any map, the link and the cautions.
func TestRouteIsWrittenInTheTechsLanguage(t *testing.T) {
	r, now := planned(t)
	for language, want := range map[string][]string{
		"en": {"Ada, your route as of Wed 06:00 EDT.", "1 stop, 11 km, 14 min driving", "1. Oak Mill Works, canteen", "Wed 06:07 EDT, opens 07:00", "arrive by Wed 10:00",
			"cab-0417: coil iced (82 %)", "geo:40.44,-79.99", "https://board.example/stop/oakmill", "Load: evaporator fan motor", "Check in the van: door gasket", "plug in your own hands",
			"R-290 and R-600a burn", "never tasted", "Local codes", "https://board.example/route/ada"},
		"es": {"Ada, su ruta a las mié 06:00 EDT.", "1 parada, 11 km, 14 min de camino", "mié 06:07 EDT, abre a las 07:00", "llegue antes de mié 10:00",
			"cab-0417: evaporador bloqueado por hielo (82 %)", "geo:40.44,-79.99", "https://board.example/stop/oakmill", "Cargue: motor del ventilador del evaporador", "Revise en la camioneta: empaque de puerta",
			"Herramientas: ", "charola para el agua", "conserve el enchufe", "Precauciones", "nunca se prueba", "códigos locales"},
	} {
		team := NewTeam(TeamOptions{Settings: &Settings{People: []Person{{ID: "ada", Name: "Ada", TimeZone: "America/New_York", Language: language,
			Contacts: []Contact{{Channel: "email", To: "ada@mail.example"}, {Channel: "chat", To: "text:+15550101", From: alerts.Critical}}}}}})
		p := team.Tech(&route.Member{ID: "ada", Name: "Ada", TimeZone: "America/New_York"})
		ms := team.Route(p, Itinerary{Key: "k", Priority: alerts.High, Route: r, AsOf: now, Board: "https://board.example/route/ada",
			Link: func(stop string) string { return "https://board.example/stop/" + stop }})
		if len(ms) != 1 || ms[0].Channel != "email" || !strings.Contains(ms[0].Subject, "Oak Mill Works, canteen") {
			t.Fatalf("%+v", ms)
		}
		for _, w := range want {
			if !strings.Contains(ms[0].Text, w) {
				t.Errorf("%s: the message lacks %q:\n%s", language, w, ms[0].Text)
			}
		}
		ask := team.Ask(p, Question{Key: "k", Leg: &route.Leg{Name: "Oak Mill Works", Arrive: now, Stop: "oakmill"}, Link: "https://board.example/stop/x"}, now)
		if len(ask) != 1 || !strings.Contains(ask[0].Text, "06:00") || !strings.Contains(ask[0].Text, "06:45 EDT") || !strings.Contains(ask[0].Text, "https://board.example/stop/x") {
			t.Errorf("%s: %+v", language, ask)
		}
	}
	empty := NewTeam(TeamOptions{}).RouteText(&Person{Name: "Ada", TimeZone: "UTC"}, &route.Route{}, now, nil)
	if !strings.Contains(empty, "No stops for you.") || strings.Contains(empty, "Cautions") {
		t.Errorf("without stops:\n%s", empty)
	}
	// A tech's own language comes before that of the person of the same name.
	team := NewTeam(TeamOptions{Settings: &Settings{People: []Person{{ID: "ada", Language: "es"}}}})
	if got := team.Tech(&route.Member{ID: "ada", Language: "en"}).Language; got != "en" {
		t.Errorf("written to in %q", got)
	}
}

// Whatever a check, a food rule or the table of parts says is put into every language
// that comes with the program.
func TestSentencesAreWhole(t *testing.T) {
	for _, language := range ownTemplates().Languages() {
		if language == fallback {
			continue
		}
		v := ownTemplates().Voice(&Person{Language: language, TimeZone: "UTC"})
		said := func(english string) {
			t.Helper()
			if english != "" && v.Sentence(english) == english {
				t.Errorf("%s has no words for %q", language, english)
			}
		}
		for _, c := range visit.Checks() {
			said(c.Title)
			for _, line := range c.Do {
				said(line)
			}
			for _, a := range c.Answers {
				said(a.Text)
				said(a.Then)
			}
		}
		parts := route.DefaultParts()
		rows := []route.Row{{Parts: parts.Always().Parts, Tools: parts.Always().Tools}}
		for f := range fault.Fault(fault.Num) {
			rows = append(rows, parts.Row(f))
			for _, x := range parts.Row(f).Kinds {
				rows = append(rows, route.Row{Parts: x.Parts, Tools: x.Tools})
			}
		}
		for _, row := range rows {
			for _, name := range append(append([]string{}, row.Parts...), row.Tools...) {
				if name != "multimeter" {
					said(name)
				}
			}
		}
		now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
		for _, kind := range []fleet.Product{fleet.SealedBeverage, fleet.TCSFood} {
			for _, past := range []bool{false, true} {
				for _, over := range []time.Duration{0, time.Hour, 5 * time.Hour, 9 * time.Hour} {
					for _, temp := range []float64{-3, 3, 8, 25} {
						for _, measured := range []bool{false, true} {
							at := quantity.Celsius(temp)
							p := visit.Product{Kind: kind, Limits: kind.Limits(), Past: past, Beside: true, Now: now}
							if over > 0 {
								p.OverAt = now.Add(-over)
							}
							if measured {
								p.Measured = &at
							} else if past {
								p.Believed = &at
							}
							a := visit.Advise(p)
							said(a.Why)
							if a.Beside != "" {
								said(a.Beside)
							}
							said(a.Rule)
						}
					}
				}
			}
		}
		// What is refused: as the packages say it, names and all.
		stop := &route.Stop{ID: "north", Name: "North"}
		at := route.Standing{Stop: "south", Name: "South", Arrived: true}
		for _, step := range []route.Step{route.Driving, route.Arrived, route.Done} {
			if _, err := at.Report(step, stop, time.Hour, now); err == nil {
				t.Errorf("%s was not refused", step)
			} else {
				said(err.Error())
			}
		}
		for _, o := range []visit.Outcome{{}, {Kind: visit.Repaired}, {Kind: visit.HandedOver}, {Kind: visit.NotReached}, {Kind: visit.NothingFound, Product: "eat"}} {
			_, err := (visit.Visit{Machine: "cab-1"}).Finish(o)
			if err == nil {
				t.Errorf("%+v was not refused", o)
				continue
			}
			for line := range strings.SplitSeq(err.Error(), "\n") {
				said(line)
			}
		}
	}
	es := ownTemplates().Voice(&Person{Language: "es", TimeZone: "UTC"})
	if got := es.Sentence("you are still at Tarn Lane School; report it done first"); got != "todavía está en Tarn Lane School; avise primero que terminó" {
		t.Errorf("%q", got)
	}
	if got := es.Sentence("nobody ever said this"); got != "nobody ever said this" {
		t.Errorf("%q", got)
	}
}
