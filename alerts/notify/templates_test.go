package notify

import (
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"pgregory.net/rapid"

	"coilward/alerts"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// texts writes files into a folder for the admin's own texts.
func texts(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		name = filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestTextsWithErrorsAreRefused: a text that cannot be filled in is told at the
// start, with file and line.
func TestTextsWithErrorsAreRefused(t *testing.T) {
	for _, c := range []struct{ name, file, text, want string }{
		{"no template", "en/alert.txt", "{{define \"subject\"}}x{{end}}\n\n{{.What", "alert.txt:3"},
		{"no such field", "en/alert.chat.txt", "{{define \"subject\"}}x{{end}}\n{{.Wat}}", "alert.chat.txt:2"},
		{"no such field, rarely shown", "es/over.email.txt", "{{define \"subject\"}}x{{end}}\n{{if .Discard}}\n{{.Wat}}{{end}}", "over.email.txt:3"},
		{"no subject", "en/test.txt", "hello", "test.txt: it needs {{define \"subject\"}}"},
		{"no such text", "en/alarm.txt", "hello", "alarm.txt: nothing is told in a text of this name"},
		{"no such channel", "en/alert.pigeon.txt", "hello", "alert.pigeon.txt: nothing is told"},
		{"no such word", "es/words.txt", "{{define \"fault.gremlins\"}}duendes{{end}}", `nothing says "fault.gremlins"`},
		{"a word that does not parse", "es/words.txt", "\n{{define \"more\"}}{{.}", "words.txt:2"},
		{"a word with a wrong field", "es/words.txt", "\n{{define \"limit.left\"}}{{.Wann}}{{end}}", "words.txt:2"},
		{"a word that calls another there is not", "de/words.txt", "{{define \"why\"}}\n\n{{template \"warum\" .}}{{end}}", "words.txt:3"},
	} {
		_, err := LoadTemplates(texts(t, map[string]string{c.file: c.text}))
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), string(filepath.Separator)+filepath.FromSlash(c.file)) {
			t.Errorf("%s: %v; want the file and %q", c.name, err, c.want)
		}
	}
	if _, err := LoadTemplates(filepath.Join(t.TempDir(), "not there")); err == nil {
		t.Error("a folder that is not there was taken")
	}
	// All of it at once.
	_, err := LoadTemplates(texts(t, map[string]string{"en/alarm.txt": "x", "es/test.txt": "x", "en/alert.txt": "{{.What"}))
	if err == nil || len(strings.Split(err.Error(), "\n")) < 3 {
		t.Errorf("three problems were told as: %v", err)
	}
}

// TestAdminsTextsComeFirst: by language, then by channel; what the admin has not
// written is the program's; a new language is a new folder.
func TestAdminsTextsComeFirst(t *testing.T) {
	dir := texts(t, map[string]string{
		"es/alert.chat.txt": `{{define "subject"}}propio{{end}}propio {{.What}}`,
		"en/alert.txt":      `{{define "subject"}}house{{end}}house {{.What}}`,
		"de/words.txt":      `{{define "fault.evaporator-fan-stopped"}}Verdampferlüfter steht{{end}}`,
		"README":            "what this folder is for",
	})
	own, err := LoadTemplates(dir)
	if err != nil {
		t.Fatal(err)
	}
	team := NewTeam(TeamOptions{Texts: own})
	a := testAlert(alerts.High, noon)
	for _, c := range []struct{ language, channel, want string }{
		{"es", "chat", "propio ventilador del evaporador parado"},
		{"es", "mqtt", "ALTA: s, cab-0417: ventilador del evaporador parado"}, // the program's, before the admin's of another language
		{"en", "chat", "house evaporator fan stopped"},
		{"en", "email", "s, cab-0417\nevaporator fan stopped"},
		{"de", "chat", "house Verdampferlüfter steht"},
		{"fr", "chat", "house evaporator fan stopped"},
	} {
		_, text := team.render("alert", c.channel, &Person{ID: "x", TimeZone: "UTC", Language: c.language}, &a, noon)
		if !strings.HasPrefix(text, c.want) {
			t.Errorf("%s over %s: %q, want %q", c.language, c.channel, text, c.want)
		}
	}
	if err := own.Check(&Settings{People: []Person{{ID: "a"}, {ID: "b", Language: "de"}}}); err != nil {
		t.Error(err)
	}
	if err := own.Check(&Settings{People: []Person{{ID: "b", Language: "fr"}}}); err == nil || !strings.Contains(err.Error(), `"fr"`) {
		t.Errorf("a language there are no texts in: %v", err)
	}
}

// TestEveryLanguageIsWhole: a language that comes with the program has every text,
// and every word but those that are the same in it.
func TestEveryLanguageIsWhole(t *testing.T) {
	same := map[string]bool{"span.min": true, "span.h": true, "span.h-min": true}
	all := ownTemplates()
	for _, name := range all.Languages() {
		own, err := fs.Sub(embedded, "templates/"+name)
		if err != nil {
			t.Fatal(err)
		}
		var want []string
		for _, k := range kinds {
			want = append(want, k+".txt")
			if k != kindTest && k != kindRoute && k != kindAsk && k != kindTurn { // those are the same everywhere
				want = append(want, k+".email.txt")
			}
		}
		if err := fstest.TestFS(own, append(want, wordFiles...)...); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		var words []byte
		for _, file := range wordFiles {
			b, err := fs.ReadFile(own, file)
			if err != nil {
				t.Fatal(err)
			}
			words = append(words, b...)
		}
		for _, w := range all.languages[fallback].words.Templates() {
			if w.Name() != "words" && !same[w.Name()] && !strings.Contains(string(words), `{{define "`+w.Name()+`"}}`) {
				t.Errorf("%s has no word for %q", name, w.Name())
			}
		}
	}
	if got := all.Languages(); strings.Join(got, " ") != "en es" {
		t.Errorf("languages %v", got)
	}
}

// TestWordsAreTheCatalogues: the English words are those that the board shows, and
// the reason in the message is the one line of the alert, whatever it is about.
func TestWordsAreTheCatalogues(t *testing.T) {
	r := reader{p: &Person{TimeZone: "UTC"}, l: ownTemplates().in("en")}
	for f := range fault.Fault(fault.Num) {
		if got := r.fault(f); got != f.Title() {
			t.Errorf("%v is %q in a message, %q elsewhere", f, got, f.Title())
		}
	}
	for c := range fault.Caution(fault.NumCautions) {
		if got := r.l.say("caution."+c.Name(), "R-290"); got != c.Text("R-290") {
			t.Errorf("caution %s is %q in a message, %q elsewhere", c.Name(), got, c.Text("R-290"))
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		at := collector.MillisOf(noon)
		moment := func(name string) collector.Millis {
			return at.Add(time.Duration(rapid.IntRange(-600, 600).Draw(t, name)) * time.Minute)
		}
		maybe := func(name string) collector.Millis {
			if rapid.Bool().Draw(t, "has "+name) {
				return moment(name)
			}
			return 0
		}
		product := fleet.Product(rapid.IntRange(0, fleet.NumProducts-1).Draw(t, "product"))
		x := alerts.Reason{Currency: "$", Value: float64(rapid.IntRange(0, 2000).Draw(t, "value")), Estimated: rapid.Bool().Draw(t, "estimated"), Product: product,
			Machines: rapid.IntRange(1, 3).Draw(t, "machines"), Fault: fault.Fault(rapid.IntRange(1, fault.Num-1).Draw(t, "fault")), Limits: product.Limits(),
			LimitAt: maybe("limit"), LimitEarly: maybe("early"), Side: detect.Side(rapid.IntRange(0, 2).Draw(t, "side")), OutSince: maybe("out"),
			Travel: 50 * time.Minute, Sick: rapid.Float64Range(0, 1).Draw(t, "sick"), Ended: rapid.Bool().Draw(t, "ended"),
			Bound: rapid.SampledFrom([]string{"", "at least high by its settings", "at most medium by its settings"}).Draw(t, "bound")}
		if alerts.HasFoodClock(product) {
			x.Clock = alerts.FoodClock{Limit: 5, OverAt: maybe("clock"), Above21: rapid.Bool().Draw(t, "above 21")}
		}
		a := alerts.Alert{Basis: x}
		if got, want := r.why(&a, noon), x.Line(at, alerts.Live{}); got != want {
			t.Fatalf("message %q, alert %q", got, want)
		}
	})
}

// A rate over a difference, 1/h, is the same number in °F; the normal beside it has
// no unit that could be told from it.
func TestRateOverADifferenceInFahrenheit(t *testing.T) {
	r := reader{p: &Person{Fahrenheit: true}}
	for in, want := range map[string]string{
		"air warms by 1.30 K/h per K to ambient; normal is 0.57 ± 0.20":                 "air warms by 1.30 °F/h per °F to ambient; normal is 0.57 ± 0.20",
		"el aire se calienta 1.30 K/h por K de diferencia con el ambiente; normal 0.57": "el aire se calienta 1.30 °F/h por °F de diferencia con el ambiente; normal 0.57",
		"air falls by 5.0 K/h": "air falls by 9.0 °F/h",
	} {
		if got := r.units(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// Figures that a rule or a check gives in both units are read in one: to convert
// what is in °C beside them made "36 to 40 °F (2.2 to 39.9 °F)".
func TestFiguresInBothUnits(t *testing.T) {
	for in, want := range map[string][2]string{
		"Drinks belong at 36 to 40 °F (2.2 to 4.4 °C).":                  {"Drinks belong at 2.2 to 4.4 °C.", "Drinks belong at 36 to 40 °F."},
		"Entre 36 y 40 °F (2.2 y 4.4 °C)":                                {"Entre 2.2 y 4.4 °C", "Entre 36 y 40 °F"},
		"3-501.16: 41 °F (5 °C) or below; never passed 70 °F (21 °C)":    {"3-501.16: 5 °C or below; never passed 21 °C", "3-501.16: 41 °F or below; never passed 70 °F"},
		"Within 2 °F (1 K)":                                              {"Within 1 K", "Within 2 °F"},
		"It has been over 21 °C. Cool it (quickly) to 5 °C (the limit).": {"It has been over 21 °C. Cool it (quickly) to 5 °C (the limit).", "It has been over 70 °F. Cool it (quickly) to 41 °F (the limit)."},
	} {
		for i, p := range []*Person{{}, {Fahrenheit: true}} {
			if got := (reader{p: p}).units(in); got != want[i] {
				t.Errorf("%q: %q, want %q", in, got, want[i])
			}
		}
	}
	// What a tech is told at the machine is in the unit they read.
	said := []string{visit.Advise(visit.Product{Kind: fleet.Dairy}).Rule}
	warm := quantity.Celsius(15)
	said = append(said, visit.Advise(visit.Product{Kind: fleet.SealedBeverage, Limits: fleet.SealedBeverage.Limits(), Measured: &warm}).Why)
	for _, c := range visit.Checks() {
		said = append(said, c.Do...)
		for _, a := range c.Answers {
			said = append(said, a.Text, a.Then)
		}
	}
	for _, language := range []string{"en", "es"} {
		for wrong, p := range map[string]*Person{"°F": {Language: language}, "°C": {Language: language, Fahrenheit: true}} {
			for _, s := range said {
				if got := ownTemplates().Voice(p).Sentence(s); strings.Contains(got, wrong) {
					t.Errorf("%s: %s", language, got)
				}
			}
		}
	}
}

// TestSpanishMessage is read by somebody in Phoenix who reads °F.
func TestSpanishMessage(t *testing.T) {
	milk := &fleet.Machine{ID: "cab-0417", Product: fleet.Dairy, Refrigerant: "R-290"}
	team := NewTeam(TeamOptions{Machine: func(string) *fleet.Machine { return milk }, BoardURL: "https://board.example.org"})
	p := &Person{ID: "ana", TimeZone: "America/Phoenix", Fahrenheit: true, Language: "es"}
	a := testAlert(alerts.High, noon)
	a.Basis.Product = fleet.Dairy
	subject, text := team.render("alert", "email", p, &a, noon)
	if want := "ALTA: s, cab-0417: ventilador del evaporador parado, quedan 3 h"; subject != want {
		t.Errorf("subject %q, want %q", subject, want)
	}
	for _, want := range []string{"$420 en lácteos, quedan 3 h, a 50 min de camino", "94 % seguro", "Producto en la última medición 41.0 °F", "Pasa su límite hacia 08:00 MST",
		"R-290 es inflamable", "nunca se prueba", "Los códigos locales", "\n\nDetalles: https"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	for _, english := range []string{"left", "drive", "sure", "Unplug", "Details", " of ", "°C"} {
		if strings.Contains(strings.Split(text, "Observado:")[0], english) {
			t.Errorf("%q is in a Spanish message:\n%s", english, text)
		}
	}
	day := team.reader(p)
	if got := day.when(collector.MillisOf(noon.Add(20*time.Hour)), noon); got != "jue 01:00 MST" {
		t.Errorf("the day after is %q", got)
	}
	if s, _ := team.renderSummary(p, "chat", []alerts.Alert{a}, noon); s != "mié 1 jul: 1 para la próxima ronda" {
		t.Errorf("summary %q", s)
	}
}

// TestTwoFaultsAreBothNamed in the subject of the one message.
func TestTwoFaultsAreBothNamed(t *testing.T) {
	a := testAlert(alerts.High, noon)
	a.Members = []alerts.Member{{Machine: "cab-0417", Fault: fault.EvaporatorFanStopped, Active: true}, {Machine: "cab-0417", Fault: fault.CoilIced, Active: true},
		{Machine: "cab-0417", Fault: fault.DoorLeak, Active: true}}
	subject, text := NewTeam(TeamOptions{}).render("alert", "email", &Person{TimeZone: "UTC"}, &a, noon)
	if !strings.Contains(subject, "evaporator fan stopped; also door leaks, 3 h left") || strings.Contains(text, "iced") {
		t.Errorf("%q\n%s", subject, text)
	}
}

// TestEvidenceIsOnTheReadersClock.
func TestEvidenceIsOnTheReadersClock(t *testing.T) {
	r := reader{p: &Person{TimeZone: "America/New_York"}, l: ownTemplates().in("en")}
	since := collector.MillisOf(noon)
	got := r.evidence([]detect.Evidence{{Text: "nothing heard since 12:00 UTC; it used to report every 60 s", Since: since}}, noon.Add(time.Hour))
	if want := "nothing heard since 08:00 EDT; it used to report every 60 s"; got[0] != want {
		t.Errorf("%q, want %q", got[0], want)
	}
}

// TestFoodToBeSeenToIsSaid: the machine is well, what is in it is not.
func TestFoodToBeSeenToIsSaid(t *testing.T) {
	for _, c := range []struct{ language, want string }{{"en", "Do not sell from it until it is serviced and restocked"}, {"es", "No venda de esta máquina hasta"}} {
		a := testAlert(alerts.High, noon)
		a.Active, a.State, a.Latched, a.Basis.Ended = false, alerts.ReturnedUnacked, true, true
		a.Basis.Clock = alerts.FoodClock{Limit: 5, OverAt: collector.MillisOf(noon.Add(-5 * time.Hour)), Latched: true}
		for _, channel := range Channels {
			if _, text := NewTeam(TeamOptions{}).render("over", channel, &Person{TimeZone: "UTC", Language: c.language}, &a, noon); !strings.Contains(text, c.want) {
				t.Errorf("%s over %s:\n%s", c.language, channel, text)
			}
		}
	}
}

// TestMessageIsTrueWhenItGoesOut: a message that waited for the morning tells of the
// morning, and of nothing that was taken or is over.
func TestMessageIsTrueWhenItGoesOut(t *testing.T) {
	var now alerts.Alert
	open := true
	p := Person{ID: "ana", TimeZone: "UTC", Contacts: []Contact{{Channel: "chat", To: "x"}}}
	team := NewTeam(TeamOptions{Settings: &Settings{People: []Person{p}}, Current: func(string) (alerts.Alert, bool) { return now, open }})
	now = testAlert(alerts.High, noon)
	m := team.write(&now, "ana", "alert", "k", noon, noon)[0]
	later := noon.Add(2 * time.Hour)
	fresh, stale := team.Refresh(m, later)
	if stale != "" || !strings.Contains(fresh.Text, "1 h left") || fresh.Key != m.Key {
		t.Errorf("two hours later: %q, %s", stale, fresh.Text)
	}
	if same, _ := team.Refresh(m, noon.Add(30*time.Second)); same.Text != m.Text {
		t.Error("a message of just now was written again")
	}
	now.State = alerts.Acknowledged
	if _, stale := team.Refresh(m, later); stale == "" {
		t.Error("told of an alert that somebody has taken")
	}
	open = false
	if _, stale := team.Refresh(m, later); stale == "" {
		t.Error("told of an alert that is over")
	}
	over := team.write(&now, "ana", "over", "o", noon, noon)[0]
	if _, stale := team.Refresh(over, later); stale != "" {
		t.Errorf("the news that it is over was dropped: %s", stale)
	}
	open, now.State = true, alerts.Unacknowledged
	if _, stale := team.Refresh(over, later); stale == "" {
		t.Error("told that it is over when it is back")
	}
}

// TestBodyIsJSON: a message for machines can be read back.
func TestBodyIsJSON(t *testing.T) {
	a := testAlert(alerts.High, noon)
	kind, about := bodyOf(NewTeam(TeamOptions{Settings: &Settings{People: []Person{{ID: "ana", TimeZone: "UTC", Contacts: []Contact{{Channel: "mqtt", To: "x"}}}}}}).
		write(&a, "ana", "alert", "k", noon, noon)[0])
	if kind != "alert" || len(about) != 1 || about[0].ID != a.ID || about[0].Basis.LimitAt != a.LimitAt {
		b, _ := json.Marshal(about)
		t.Errorf("%s %s", kind, b)
	}
}

// TestEvidenceInSpanish: sentences as the models say them; a piece that is not
// translated stays as it is, numbers and all.
func TestEvidenceInSpanish(t *testing.T) {
	r := reader{p: &Person{TimeZone: "UTC", Language: "es"}, l: ownTemplates().in("es")}
	for english, want := range map[string]string{
		"compressor draws 0.80 A (as at 25 °C ambient); this machine's normal is 1.21 ± 0.03 A":                     "el compresor consume 0.80 A (referido a 25 °C de ambiente); lo normal en esta máquina es 1.21 ± 0.03 A",
		"coil outlet 23.0 K below the cabinet air while running; this machine's normal is 8.8 ± 1.2 K":              "la salida del serpentín está 23.0 K bajo el aire de la cámara en marcha; lo normal en esta máquina es 8.8 ± 1.2 K",
		"compressor ran 68 % of the last 3 h; this machine's normal is 7 % at this ambient":                         "el compresor funcionó 68 % de las últimas 3 h; lo normal en esta máquina es 7 % con este ambiente",
		"compressor ran 67 % of the last 10 h; this machine's normal is 49 % at this ambient":                       "el compresor funcionó 67 % de las últimas 10 h; lo normal en esta máquina es 49 % con este ambiente",
		"condenser 18.3 K over ambient while running, on average of 5 h; this machine's normal is 16.6 K":           "el condensador está 18.3 K sobre el ambiente en marcha, en promedio de 5 h; lo normal en esta máquina es 16.6 K",
		"coil outlet 0.7 K colder than the inlet while running; this machine's normal is 0.4 ± 0.3 K the other way": "la salida del serpentín está 0.7 K más fría que la entrada en marcha; lo normal en esta máquina es 0.4 ± 0.3 K en sentido contrario",
		"condenser 31.0 K over ambient while running; this machine's normal is 15.0 ± 0.8 K":                        "el condensador está 31.0 K sobre el ambiente en marcha; lo normal en esta máquina es 15.0 ± 0.8 K",
		"compressor now stops at 1.5 °C cabinet air; this machine's normal is 0.8 °C":                               "el compresor ahora para a 1.5 °C de aire de la cámara; lo normal en esta máquina es 0.8 °C",
		"cabinet air warms by 0.01 K/h per K to ambient while stopped; this machine's normal is 0.01 ± 0.05":        "el aire de la cámara se calienta 0.01 K/h por K de diferencia con el ambiente en paro; lo normal en esta máquina es 0.01 ± 0.05",
		"compressor runs and the air stays above its cut-in, for 40 min":                                            "el compresor funciona y el aire sigue sobre su punto de arranque, desde hace 40 min",
		"door open for 25 min": "puerta abierta desde hace 25 min",
		"cabinet air 9.1 °C; the compressor normally starts at 4.2 °C": "el aire de la cámara está a 9.1 °C; el compresor normalmente arranca a 4.2 °C",
		"not coil-iced: condenser fan draws 0.02 A while running":      "no es evaporador bloqueado por hielo: el ventilador del condensador consume 0.02 A en marcha",
		"nothing heard since 12:00 UTC; it used to report every 60 s":  "sin mensajes desde las 12:00 UTC; solía informar cada 60 s",
		"the gremlins ate 3 cans":                                      "the gremlins ate 3 cans",
	} {
		if got := r.evidence([]detect.Evidence{{Text: english, Since: collector.MillisOf(noon)}}, noon)[0]; got != want {
			t.Errorf("%q\n got %q\nwant %q", english, got, want)
		}
	}
	if _, err := LoadTemplates(texts(t, map[string]string{"es/evidence.txt": "# mine\ncoil outlet: serpentín"})); err == nil || !strings.Contains(err.Error(), "evidence.txt:2") {
		t.Errorf("a line without an arrow: %v", err)
	}
}

// A word of a page that names what the page does not give, and a sentence that loses a
// name, are refused at the start.
func TestPageWordsWithErrorsAreRefused(t *testing.T) {
	for file, c := range map[string]struct{ text, want string }{
		pageFile:      {`{{define "page.by"}}por {{.When}}{{end}}`, "page.txt:1"},
		sentencesFile: {"you are at {} already => ya llegó", "sentences.txt:1"},
	} {
		dir := t.TempDir()
		if err := os.Mkdir(filepath.Join(dir, "es"), 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "es", file), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := LoadTemplates(dir); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", file, err)
		}
	}
}
