package board

import (
	"context"
	"fmt"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"coilward/alerts/route"
	"coilward/detect/fault"
)

// crewRounds are rounds whose techs and parts can be edited.
type crewRounds struct {
	*rounds
	sheet CrewSheet
}

func (c *crewRounds) Crew() CrewSheet {
	out := c.sheet
	out.Techs = append([]route.Member(nil), c.sheet.Techs...)
	return out
}

func (c *crewRounds) SaveTechs(_ context.Context, techs []route.Member, base int, who, why string) error {
	if base != c.sheet.TechsSaved.Version {
		return fmt.Errorf("version %d was saved meanwhile; look at it and save again", c.sheet.TechsSaved.Version)
	}
	r, err := c.roster.WithTechs(techs)
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.roster, c.sheet.Techs, c.sheet.TechsSaved = *r, techs, Saved{base + 1, c.w.now, who, why}
	return nil
}

func (c *crewRounds) SaveParts(_ context.Context, parts *route.Parts, base int, who, why string) error {
	c.sheet.Parts, c.sheet.PartsSaved = parts, Saved{base + 1, c.w.now, who, why}
	return nil
}

func onCrew(t *testing.T) (*crewRounds, *Board) {
	t.Helper()
	_, r, b := onDuty(t)
	c := &crewRounds{rounds: r, sheet: CrewSheet{Techs: r.roster.Techs, Parts: route.DefaultParts()}}
	b.routesOf = c
	return c, b
}

// here asks from this computer.
func here(b *Board, method, path string, form url.Values, headers ...string) *httptest.ResponseRecorder {
	q := httptest.NewRequest(method, "http://127.0.0.1:8417"+path, strings.NewReader(form.Encode()))
	q.RemoteAddr = "127.0.0.1:40000"
	q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		q.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, q)
	return w
}

func TestTechsAreEdited(t *testing.T) {
	c, b := onCrew(t)
	page := here(b, "GET", "/crew", nil).Body.String()
	for _, want := range []string{"Ben Okoro", "mon-fri 06:30-15:00", "As the configuration has it", "coil iced", "75m"} {
		if !strings.Contains(page, want) {
			t.Errorf("the list lacks %q", want)
		}
	}
	form := func(pairs ...string) url.Values {
		v := url.Values{"version": {"0"}, "id": {"vera"}, "name": {"Vera Stolz"}, "start": {"42.12, -75.9"}, "zone": {"America/New_York"},
			"shift": {"mon-fri 06:00-14:00\nsat 07:00-11:00"}, "van": {"2 evaporator fan motor\n1 fuse"}, "to": {"email vera@mail.example"}, "mechanic": {"1"}, "who": {"Ana"}, "why": {"new"}}
		for i := 0; i+1 < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	for want, f := range map[string]url.Values{
		"write latitude and longitude":    form("start", "the yard"),
		"-90..90":                         form("start", "95, 8"),
		"America/New_York":                form("zone", "Mars/Base"),
		"each days once":                  form("shift", "always"),
		"&#34;noday&#34;":                 form("shift", "noday 07:00-09:00"),
		"how many and what":               form("van", "fuses"),
		"email ines@mail.example":         form("to", "email"),
		"letters, digits":                 form("id", "a/b"),
		"There is a tech &#34;ben&#34;":   form("id", "ben"),
		"who changed what":                form("who", " "),
		"start and end need":              form("end", "0, 0"),
		"shift is missing":                form("shift", ""),
		"Id is needed, a short word such": form("id", ""),
	} {
		w := here(b, "POST", "/crew/tech/new", f)
		if body := w.Body.String(); w.Code != 422 || !strings.Contains(body, want) && !strings.Contains(strings.ToLower(body), strings.ToLower(want)) {
			t.Errorf("%d, and no word of %q", w.Code, want)
		} else if v := f.Get("van"); !strings.Contains(body, v) || !strings.Contains(body, "Vera Stolz") {
			t.Errorf("%q: what was typed is gone", want)
		}
	}
	if len(c.sheet.Techs) != 3 {
		t.Fatal("something wrong was saved")
	}
	if w := here(b, "POST", "/crew/tech/new", form()); w.Code != 303 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if len(c.sheet.Techs) != 4 || c.sheet.Techs[3].Van["evaporator fan motor"] != 2 || c.sheet.TechsSaved.Who != "Ana" {
		t.Fatalf("%+v", c.sheet)
	}
	page = here(b, "GET", "/crew", nil).Body.String()
	if !strings.Contains(page, "Vera Stolz") || !strings.Contains(page, "Version 1, 07:05, Ana: new.") {
		t.Error("not on the list, or nobody knows who saved it")
	}
	// The very next plan has her.
	if _, ok := c.Day().Route("vera"); !ok {
		t.Error("the plan does not know her")
	}
	// The form shows what it saved, and an edit from an old version changes nothing.
	page = here(b, "GET", "/crew/tech/vera", nil).Body.String()
	for _, want := range []string{"mon-fri 06:00-14:00\nsat 07:00-11:00", "2 evaporator fan motor", "email vera@mail.example", `value="42.12, -75.9"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the form lacks %q", want)
		}
	}
	if w := here(b, "POST", "/crew/tech/vera", form()); w.Code != 422 || !strings.Contains(w.Body.String(), "saved meanwhile") {
		t.Errorf("an old version: %d", w.Code)
	}
	if w := here(b, "POST", "/crew/tech/vera/remove", url.Values{"version": {"1"}, "who": {"Ana"}}); w.Code != 303 || len(c.sheet.Techs) != 3 {
		t.Errorf("removed: %d, %d techs", w.Code, len(c.sheet.Techs))
	}
}

func TestPartsAreEdited(t *testing.T) {
	c, b := onCrew(t)
	page := here(b, "GET", "/crew/parts/door-leak", nil).Body.String()
	if !strings.Contains(page, "door gasket\ndoor hinge") || !strings.Contains(page, "night curtain") {
		t.Error("the form does not show the row")
	}
	f := url.Values{"version": {"0"}, "service": {"soon"}, "parts": {"magnet strip"}, "who": {"Ana"}}
	if w := here(b, "POST", "/crew/parts/door-leak", f); w.Code != 422 || !strings.Contains(w.Body.String(), "45m or 1h30m") || !strings.Contains(w.Body.String(), "magnet strip") {
		t.Errorf("%d", w.Code)
	}
	f.Set("service", "50m")
	f.Set("parts-open-front", "curtain rail\n\n curtain rail clip ")
	if w := here(b, "POST", "/crew/parts/door-leak", f); w.Code != 303 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	row := c.sheet.Parts.Row(fault.DoorLeak)
	if row.Service != "50m" || row.Parts[0] != "magnet strip" || len(row.Kinds["open-front"].Parts) != 2 || len(row.Kinds) != 1 || c.sheet.PartsSaved.Who != "Ana" {
		t.Errorf("%+v %+v", row, c.sheet.PartsSaved)
	}
	if w := here(b, "POST", "/crew/parts/always", url.Values{"version": {"1"}, "tools": {"torch"}, "who": {"Ana"}}); w.Code != 303 || len(c.sheet.Parts.Always().Tools) != 1 {
		t.Errorf("%d %v", w.Code, c.sheet.Parts.Always())
	}
	for _, path := range []string{"/crew/parts/well", "/crew/parts/hiccups", "/crew/tech/nobody"} {
		if w := here(b, "GET", path, nil); w.Code != 404 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// Only who sits at the computer edits: not through a proxy, nor by another name.
func TestCrewOnlyAtThisComputer(t *testing.T) {
	_, b := onCrew(t)
	if w := here(b, "GET", "/crew", nil, "X-Forwarded-For", "203.0.113.9"); w.Code != 403 || !strings.Contains(w.Body.String(), "no accounts yet") {
		t.Errorf("through a proxy: %d", w.Code)
	}
	q := httptest.NewRequest("GET", "http://localhost/crew", nil) // from 192.0.2.1
	w := httptest.NewRecorder()
	b.ServeHTTP(w, q)
	if w.Code != 403 {
		t.Errorf("from another address: %d", w.Code)
	}
	if w := here(b, "POST", "/crew/tech/ben/remove", url.Values{"version": {"0"}, "who": {"x"}}, "Via", "1.1 proxy"); w.Code != 403 {
		t.Errorf("removed through a proxy: %d", w.Code)
	}
}
