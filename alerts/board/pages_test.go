package board

import (
	"crypto/sha256"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// The real stores are what the board's interfaces were cut for.
var (
	_ Desk   = (*ledger.Desk)(nil)
	_ Ledger = (*ledger.Ledger)(nil)
)

var update = flag.Bool("update", false, "write the golden pages anew")

// german and american are readers with everything set the other way round.
const (
	german   = "coilward_reader=name=Ana&unit=C&clock=24"
	american = "coilward_reader=name=Ana&unit=F&clock=12"
)

func get(t *testing.T, h http.Handler, path string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestEveryPageAnswers(t *testing.T) {
	b := troubled(t).board(t)
	for path, want := range map[string]int{"/": 200, "/alerts": 200, "/alerts/A-000001": 200, "/machines/cab-0403": 200, "/machines/cab-0403?span=7d": 200,
		"/sites/site-01": 200, "/hot-day": 200, "/hot-day?f=104": 200, "/hot-day?c=cold": 200, "/find?q=mill": 200, "/reader": 200, "/static/board.js": 200, "/static/board.css": 200, "/static/nothing": 404,
		"/machines/none": 404, "/sites/none": 404, "/alerts/none": 404, "/nothing": 404} {
		if w := get(t, b, path); w.Code != want {
			t.Errorf("%s: %d, want %d\n%s", path, w.Code, want, w.Body)
		}
	}
}

// bulk is the drawing of a curve, and the crosshair's values: in the golden
// pages a checksum stands for it.
var bulk = regexp.MustCompile(`d="M[^"]{150,}"|\{"times":[^<]*`)

func TestGoldenPages(t *testing.T) {
	hurt := troubled(t)
	// A site without power: one line for four machines.
	power := hurt.hurt("cab-0419", fault.PowerLost, 0.98, 5*time.Hour, 3.9, alerts.High, alerts.Unacknowledged)
	for _, m := range []string{"cab-0420", "cab-0421", "cab-0422"} {
		hurt.hurt(m, fault.PowerLost, 0.98, 6*time.Hour, 3.9, alerts.High, alerts.Unacknowledged)
	}
	var members []alerts.Member
	for _, a := range hurt.open[len(hurt.open)-4:] {
		members = append(members, a.Members...)
	}
	hurt.open = hurt.open[:len(hurt.open)-3]
	site := &hurt.open[len(hurt.open)-1]
	site.Cause, site.Machine, site.Members = alerts.SitePower, "", members
	hurt.health = []Degraded{{Part: "e-mail", Text: "The mail server refuses connections; alerts wait in the outbox.", Since: fixedNow.Add(-30 * time.Minute)}}
	hurt.speed = 60
	for name, c := range map[string]struct {
		world  *world
		path   string
		cookie string
	}{
		"fleet":           {hurt, "/", german},
		"fleet-american":  {hurt, "/", american},
		"fleet-quiet":     {newWorld(t, 12, 6), "/", german},
		"machine":         {hurt, "/machines/cab-0403", german},
		"machine-well-7d": {hurt, "/machines/cab-0402?span=7d", american},
		"alerts":          {hurt, "/alerts", german},
		"alert":           {hurt, "/alerts/A-000005", german},
		"alert-site":      {hurt, "/alerts/" + power, german},
		"site":            {hurt, "/sites/site-01", german},
		"find":            {hurt, "/find?q=mill", german},
		"reader":          {hurt, "/reader?next=/alerts", american},
	} {
		t.Run(name, func(t *testing.T) {
			got := get(t, c.world.board(t), c.path, "Cookie", c.cookie).Body.String()
			golden(t, name, got)
		})
	}
}

// golden compares a page with the one that was read and found right.
func golden(t *testing.T, name, got string) {
	t.Helper()
	got = strings.ReplaceAll(got, assetVersion, "ASSET")
	got = bulk.ReplaceAllStringFunc(got, func(s string) string {
		return fmt.Sprintf("%s…%d bytes %x…%s", s[:20], len(s), sha256.Sum256([]byte(s)), s[len(s)-20:])
	})
	file := filepath.Join("testdata", name+".golden.html")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run go test ./alerts/board -update and read the page", err)
	}
	if got != string(want) {
		t.Errorf("%s differs%s", file, firstDifference(string(want), got))
	}
}

func firstDifference(want, got string) string {
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return " at line " + number(float64(i+1), 0) + "\nwant " + clip(a[i]) + "\ngot  " + clip(b[i])
		}
	}
	return " in length"
}

func clip(s string) string {
	if len(s) > 600 {
		return s[:600] + "…"
	}
	return s
}

// A machine heard with a hostile name must not write into the page.
func TestHostileNamesAreEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	w := newWorld(t, 3, 3)
	at := collector.MillisOf(w.now)
	w.views[evil] = detect.View{Machine: evil, Site: evil, At: at, LastHeard: at,
		Happenings: []detect.Happening{{Kind: detect.Restock, From: at, Text: evil}},
		OpenFindings: []detect.Finding{{ID: evil, Machine: evil, Fault: fault.CoilIced, Probability: 0.7, LimitAt: at.Add(time.Hour), LimitEarly: at, LimitLate: at.Add(3 * time.Hour),
			Evidence: []detect.Evidence{{Text: evil + "</script><script>", Since: at}}, RuledOut: []detect.Evidence{{Text: evil}}}}}
	w.fleet.Sites[0].Name = evil
	w.open = []alerts.Alert{{ID: evil, Machine: evil, Site: evil, Why: evil, State: alerts.Shelved, Reason: evil, Active: true, ShelvedUntil: at.Add(time.Hour),
		Members: []alerts.Member{{Finding: evil, Machine: evil}}}}
	w.plans[evil] = Arrival{Who: evil, At: w.now.Add(time.Hour)}
	w.health = []Degraded{{Part: evil, Text: evil, Since: w.now}}
	b := w.board(t)
	for _, path := range []string{"/", machineURL(evil), "/alerts", alertURL(evil), "/sites/unlisted", "/find?q=" + "%22%3E%3Cscript%3E", "/reader?next=" + "javascript:alert(1)"} {
		got := get(t, b, path, "Cookie", `coilward_reader=name=%22%3E%3Cscript%3Ealert(1)`)
		body := got.Body.String()
		if got.Code != 200 {
			t.Errorf("%s: %d", path, got.Code)
		}
		// The only scripts are the board's own file and the crosshair's data.
		for _, piece := range strings.Split(strings.ToLower(body), "<script")[1:] {
			if !strings.HasPrefix(piece, ` src="/static/board.js`) && !strings.HasPrefix(piece, ` type="application/json" id="cross-data"`) {
				t.Errorf("%s: a script of somebody else's: %.80q", path, piece)
			}
		}
		if strings.Contains(body, "javascript:") || strings.Contains(body, evil) {
			t.Errorf("%s: the name stands in the page as it is", path)
		}
	}
}

func TestUnlistedAndUnheardMachines(t *testing.T) {
	w := newWorld(t, 6, 6)
	delete(w.views, "cab-0402")
	v := w.views["cab-0401"]
	v.Machine, v.Site = "stray-1", "nowhere"
	w.views["stray-1"] = v
	b := w.board(t)
	fleetPage := get(t, b, "/", "Cookie", german).Body.String()
	for _, want := range []string{"7 machines, none in trouble; 1 not heard yet", "Not in the fleet file", `href="/machines/stray-1"`} {
		if !strings.Contains(fleetPage, want) {
			t.Errorf("fleet page lacks %q", want)
		}
	}
	if body := get(t, b, "/machines/cab-0402").Body.String(); !strings.Contains(body, "Nothing was heard of this machine yet") {
		t.Error("a machine that was never heard does not say so")
	}
	if body := get(t, b, "/machines/stray-1").Body.String(); !strings.Contains(body, "not in the fleet file, watched with defaults") {
		t.Error("an unlisted machine does not say so")
	}
}

// A machine whose connection broke is not called well until its silence is told.
func TestLinkLost(t *testing.T) {
	w := newWorld(t, 6, 6)
	v := w.views["cab-0401"]
	v.LinkLost = true
	w.views["cab-0401"] = v
	b := w.board(t)
	site := get(t, b, "/sites/"+v.Site).Body.String()
	if n := strings.Count(site, "link lost"); n != 1 {
		t.Errorf("the site's page says %d times that a link is lost", n)
	}
	body := get(t, b, "/machines/cab-0401").Body.String()
	if !strings.Contains(body, "and then the broker saw its link break") || !strings.Contains(body, "Its link is lost, so how it is now is not known.") {
		t.Error("the machine's page does not say that its link is lost")
	}
	if strings.Contains(body, "sure that it is well") {
		t.Error("the machine's page calls it well all the same")
	}
}

// Most urgent first: lost, then by time left, then what holds.
func TestRulerOrder(t *testing.T) {
	p := troubled(t).board(t).look()
	var got []string
	for _, l := range p.trouble {
		got = append(got, l.machine.ID)
	}
	if want := "cab-0408 cab-0403 cab-0417 cab-0429 cab-0435"; strings.Join(got, " ") != want {
		t.Errorf("order %v, want %s", got, want)
	}
}

// The limit is drawn at its share of the 24 h, and the bounds around it.
func TestBarLaysTimeOut(t *testing.T) {
	at := func(h int) collector.Millis { return collector.MillisOf(fixedNow.Add(time.Duration(h) * time.Hour)) }
	l := line{machine: &fleet.Machine{}, limit: at(12).Time(), finding: detect.Finding{LimitEarly: at(6), LimitLate: at(30)}}
	got := barOf(fixedNow, l)
	if want := (bar{Solid: "25.00%", TaperX: "25.00%", TaperW: "75.00%", Tick: "50.00%"}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// A forecast that has passed while the product is measured within its limits says
// neither a time left nor bounds that lie in the past, nor that who comes is too late.
func TestRulerAfterAForecastThatWasTooDark(t *testing.T) {
	w := newWorld(t, 12, 6)
	w.plans["cab-0403"] = Arrival{Who: "Ines Calloway", At: w.now.Add(2 * time.Hour)}
	w.hurt("cab-0403", fault.DoorOpen, 0.99, -90*time.Minute, 4.1, alerts.Medium, alerts.Acknowledged) // drinks: 7 °C
	page := get(t, w.board(t), "/", "Cookie", german).Body.String()
	_, rest, ok := strings.Cut(page, `id="x-cab-0403"`)
	line, _, _ := strings.Cut(rest, "</li>")
	if !ok {
		t.Fatal("the machine is not on the ruler")
	}
	has(t, line, "still within its limit", "; the forecast said 12:50", "Ines Calloway arrives")
	for _, wrong := range []string{"too late", "under a minute", "between", `class="tick"`, "past its limit"} {
		if strings.Contains(line, wrong) {
			t.Errorf("the line says %q: %s", wrong, textOf(line))
		}
	}
}

// What stands next to the cold air may have frozen though the bulk is within its
// limits: the line says so, and where. Where the bulk is too warm, that comes first.
func TestRulerOfWhatFreezesFirst(t *testing.T) {
	for _, c := range []struct {
		left  time.Duration
		bulk  float64
		wants []string
	}{
		{2 * time.Hour, 4.1, []string{"2 h", "until −1.0 °C next to the cold air, about 16:20"}},
		{-90 * time.Minute, 4.1, []string{"by the forecast frozen", "limit −1.0 °C next to the cold air, since 12:50"}},
		{-90 * time.Minute, 11.2, []string{"past its limit", "limit 5.0 °C", "next to the cold air by the forecast frozen, since 12:50"}},
		{2 * time.Hour, 11.2, []string{"past its limit", "limit 5.0 °C"}},
	} {
		w := newWorld(t, 12, 6)
		w.hurt("cab-0403", fault.CoilIced, 0.99, c.left, c.bulk, alerts.Medium, alerts.Acknowledged)
		w.views["cab-0403"].OpenFindings[0].LimitSide = detect.Cold
		page := get(t, w.board(t), "/", "Cookie", german).Body.String()
		_, rest, _ := strings.Cut(page, `id="x-cab-0403"`)
		line, _, _ := strings.Cut(rest, "</li>")
		has(t, textOf(line), c.wants...)
		if strings.Contains(line, "still within") {
			t.Errorf("the line says that it is within its limit: %s", textOf(line))
		}
	}
}

// Where no reading comes in, that nothing is seen does not mean that all is well.
func TestQuietIsNotClaimedBlindly(t *testing.T) {
	w := newWorld(t, 12, 6)
	quiet := textOf(get(t, w.board(t), "/").Body.String())
	has(t, quiet, "All quiet", "Nobody has to drive")
	w.health = []Degraded{{Part: "e-mail", Text: "The mail server refuses connections."}}
	has(t, textOf(get(t, w.board(t), "/").Body.String()), "All quiet")
	w.health = append(w.health, Degraded{Part: "broker", Text: "Not connected: nothing new comes in.", Blind: true})
	blind := textOf(get(t, w.board(t), "/").Body.String())
	has(t, blind, "No news", "not known: see above", "None was in trouble when it was heard last")
	for _, claim := range []string{"All quiet", "Nobody has to drive"} {
		if strings.Contains(blind, claim) {
			t.Errorf("without readings the board claims %q", claim)
		}
	}
}

// Somebody at the machine is said as that, and so is who has left it.
func TestRulerSaysWhoIsThere(t *testing.T) {
	for want, a := range map[string]Arrival{
		"Ben is there since":  {Who: "Ben", At: fixedNow.Add(-20 * time.Minute), There: true},
		"Ben was there until": {Who: "Ben", At: fixedNow.Add(-time.Hour), Left: true},
		"Ben arrives":         {Who: "Ben", At: fixedNow.Add(time.Hour)},
		"nobody on the way":   {Who: "Ben", At: fixedNow.Add(-time.Hour)},
	} {
		w := troubled(t)
		clear(w.plans)
		w.plans["cab-0403"] = a
		_, rest, ok := strings.Cut(get(t, w.board(t), "/").Body.String(), `id="x-cab-0403"`)
		line, _, _ := strings.Cut(rest, "</li>")
		if !ok || !strings.Contains(line, want) {
			t.Errorf("%+v: the line does not say %q", a, want)
		}
	}
}
