package board

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/alerts/route"
	"coilward/alerts/visit"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

// firstStop is the address of Ben's first stop, and its site.
func firstStop(t *testing.T, r *rounds, b *Board) (path, site string) {
	t.Helper()
	day := r.Day()
	m, _ := day.Member("ben")
	planned, _ := day.Route("ben")
	site = planned.Visits[0].Stop.ID
	return b.stopPath(m, site, b.clock.Now()), site
}

// press posts a form and follows to the page it leads to.
func press(t *testing.T, b *Board, path string, form url.Values) (int, string) {
	t.Helper()
	w := post(b, path, form)
	if w.Code == 303 {
		to, _, _ := strings.Cut(w.Header().Get("Location"), "#")
		w = get(t, b, to)
	}
	return w.Code, w.Body.String()
}

func has(t *testing.T, page string, words ...string) {
	t.Helper()
	for _, want := range words {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if t.Failed() {
		_, main, _ := strings.Cut(page, "<main>")
		t.Fatal(main)
	}
}

// The whole visit without any script: take, drive, arrive, check, measure, close,
// done, and what stands in the ledger afterwards.
func TestStopByLinkAlone(t *testing.T) {
	w, r, b := onDuty(t)
	path, site := firstStop(t, r, b)
	page := get(t, b, path).Body.String()
	has(t, page, "You have not set out yet", "I take this stop", "Driving there now", "Cautions", "Arrive by", "geo:42.", "Ben Okoro")
	alert := r.Day().Plan.Routes[0].Visits[0].Stop.Jobs[0].Alert
	if a, _ := w.Alert(t.Context(), alert); a.State != alerts.Unacknowledged {
		t.Fatal("looking at the page took the alert: mail scanners follow links")
	}
	_, page = press(t, b, path+"/take", nil)
	a, _ := w.Alert(t.Context(), alert)
	if a.State != alerts.Acknowledged || a.AcknowledgedBy != "Ben Okoro" || strings.Contains(page, "I take this stop") {
		t.Fatalf("%v by %q", a.State, a.AcknowledgedBy)
	}
	_, page = press(t, b, path+"/driving", nil)
	has(t, page, "You are driving there since", "Arrived")
	w.pass(30 * time.Minute)
	// Pressed ten minutes ago, without a connection.
	_, page = press(t, b, path+"/arrived", url.Values{"age": {"600"}})
	standing, _ := r.kept("ben")
	if !standing.Arrived || w.Now().Sub(standing.Since) != 10*time.Minute {
		t.Fatalf("%+v at %v", standing, w.Now())
	}
	has(t, page, "You are here since", "When you have closed the visit above", "tells most for its time")
	form := func(pairs ...string) url.Values {
		v := url.Values{"alert": {alert}}
		for i := 0; i+1 < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	_, page = press(t, b, path+"/answer", form("check", "evaporator-air", "answer", "none"))
	has(t, page, "Found so far", "It does not move", "Undo")
	_, page = press(t, b, path+"/timer", form("check", "sealed-system"))
	has(t, page, `data-left="900"`)
	code, page := press(t, b, path+"/measure", form("temp", "warm"))
	if code != 409 || !strings.Contains(page, "as a number") {
		t.Fatalf("%d %s", code, page)
	}
	_, page = press(t, b, path+"/measure", form("temp", "4,5", "unit", "C"))
	has(t, page, `value="4.5"`)
	// Nothing is closed half.
	code, page = press(t, b, path+"/outcome", form("kind", "repaired", "product", "sell"))
	if code != 409 || !strings.Contains(page, "say what was wrong") && !strings.Contains(page, "Say what was wrong") {
		t.Fatalf("%d %s", code, page)
	}
	_, page = press(t, b, path+"/outcome", form("kind", "repaired", "product", "sell", "fault", "evaporator-fan-stopped", "what", "Fan motor replaced", "part:evaporator fan motor", "1"))
	has(t, page, "Repaired", "Fan motor replaced", "Used: evaporator fan motor", "the sensors do not show it yet", "Done here")
	kept, err := b.visits.Visits(t.Context(), ledger.VisitQuery{Labelled: true})
	if err != nil || len(kept) != 1 || kept[0].Label != "evaporator-fan-stopped" || kept[0].Site != site {
		t.Fatalf("%+v %v", kept, err)
	}
	var v visit.Visit
	if err := json.Unmarshal(kept[0].Body, &v); err != nil || len(v.Given) != 1 || v.Measured == nil || *v.Measured != 4.5 {
		t.Fatalf("%+v %v", v, err)
	}
	_, page = press(t, b, path+"/done", nil)
	has(t, page, "You have finished here", "Next", "/stop/")
	if code, _ := press(t, b, path+"/done", nil); code != 200 {
		t.Errorf("pressed twice: %d", code)
	}
	// The models clear it, and the page says that the repair holds; in the week
	// after it comes back, and the page and the alert say so.
	i := 0
	for w.open[i].ID != alert {
		i++
	}
	w.pass(2 * time.Hour)
	w.do(&w.open[i], alerts.Order{Verb: alerts.Return, By: alerts.Actor{Role: alerts.Model}, At: collector.MillisOf(w.now)})
	has(t, get(t, b, path).Body.String(), "The repair holds: back to normal since")
	has(t, get(t, b, "/alerts/"+alert).Body.String(), "Fan motor replaced", "The repair holds")
	w.pass(4 * time.Hour)
	again := w.hurt(v.Machine, fault.EvaporatorFanStopped, 0.9, 5*time.Hour, 5, alerts.High, alerts.Unacknowledged)
	has(t, get(t, b, "/alerts/"+again).Body.String(), "Fan motor replaced", "It came back", "/alerts/"+alert)
	has(t, get(t, b, "/alerts/"+alert).Body.String(), "/alerts/"+again)
}

// Handed over: there is a sheet for the mechanic.
func TestSheetForTheMechanic(t *testing.T) {
	w, r, b := onDuty(t)
	path, _ := firstStop(t, r, b)
	alert := r.Day().Plan.Routes[0].Visits[0].Stop.Jobs[0].Alert
	for _, act := range []string{"driving", "arrived"} {
		press(t, b, path+"/"+act, nil)
	}
	if code := get(t, b, path+"/sheet?alert="+alert).Code; code != 404 {
		t.Errorf("a sheet before it is handed over: %d", code)
	}
	form := url.Values{"alert": {alert}, "check": {"sealed-system"}, "answer": {"part"}}
	_, page := press(t, b, path+"/answer", form)
	has(t, page, "hand over to a licensed mechanic")
	_, page = press(t, b, path+"/outcome", url.Values{"alert": {alert}, "kind": {"handed-over"}, "fault": {"refrigerant-low"}, "what": {"half the coil frosts"}, "product": {"discard"}})
	has(t, page, "Sheet for the mechanic")
	sheet := get(t, b, path+"/sheet?alert="+alert).Body.String()
	has(t, sheet, "Handed over to a licensed mechanic", "half the coil frosts", "Does the whole coil frost in fifteen minutes: A part frosted", "evaporator fan draws 0.02", "Sealed system", "discard", "refrigerant low or restricted", "licence number", "keep the plug in your own hands")
	// Whoever sends the mechanic has the sheet at the alert, on the board.
	at, rest, _ := strings.Cut(get(t, b, "/alerts/"+alert).Body.String(), "/sheet?visit=")
	id, _, _ := strings.Cut(rest, "\"")
	if at == "" || id == "" {
		t.Fatal("no sheet at the alert")
	}
	has(t, get(t, b, "/alerts/"+alert+"/sheet?visit="+id).Body.String(), "half the coil frosts", "licence number")
	for _, bad := range []string{"/alerts/A-000002/sheet?visit=" + id, "/alerts/" + alert + "/sheet?visit=none"} {
		if code := get(t, b, bad).Code; code != 404 {
			t.Errorf("%s: %d", bad, code)
		}
	}
	_ = w
}

// A link opens one stop for one tech until it expires, and nothing else.
func TestStopLinksAreBound(t *testing.T) {
	w, r, b := onDuty(t)
	path, site := firstStop(t, r, b)
	token := strings.TrimPrefix(path, "/stop/")
	for name, bad := range map[string]string{"changed": token[:len(token)-2] + "AA", "cut": token[:20], "an alert's link": b.links.Token(notify.Grant{Alert: "A-000001", Person: "ben", Until: w.now.Add(time.Hour).Unix()}),
		"another key": (&notify.Links{Key: []byte("another")}).StopToken(notify.StopGrant{Tech: "ben", Stop: site, Until: w.now.Add(time.Hour).Unix()})} {
		if code := get(t, b, "/stop/"+url.PathEscape(bad)).Code; code != 404 {
			t.Errorf("%s: %d", name, code)
		}
		if code, _ := press(t, b, "/stop/"+url.PathEscape(bad)+"/driving", nil); code != 404 {
			t.Errorf("%s: pressing gives %d", name, code)
		}
	}
	// An alert that is not of this stop cannot be answered through its link.
	var other string
	for _, a := range w.Alerts() {
		if a.Site != site {
			other = a.ID
		}
	}
	if code, _ := press(t, b, path+"/outcome", url.Values{"alert": {other}, "kind": {"nothing-found"}, "product": {"sell"}}); code != 409 {
		t.Errorf("another stop's alert: %d", code)
	}
	cy, _ := r.Day().Member("cy")
	if page := get(t, b, b.stopPath(cy, site, w.now)).Body.String(); !strings.Contains(page, "not on your route") || strings.Contains(page, "Driving there now") {
		t.Error("another tech's link offers the stop")
	}
	// From another page, as a forger would.
	q := httptest.NewRequest("POST", "http://localhost"+path+"/driving", nil)
	q.Header.Set("Sec-Fetch-Site", "cross-site")
	rec := httptest.NewRecorder()
	b.ServeHTTP(rec, q)
	if rec.Code != 403 {
		t.Errorf("forged: %d", rec.Code)
	}
	w.pass(26 * time.Hour)
	if code := get(t, b, path).Code; code != 410 {
		t.Errorf("a day later: %d", code)
	}
	if _, by := r.kept("ben"); len(by) != 0 {
		t.Errorf("something was reported: %v", by)
	}
	if !strings.Contains(get(t, b, "/stop/x").Body.String(), "does not work") {
		t.Error("no word of what is wrong")
	}
}

// The page is one answer: it asks for nothing else, and its policy names what is
// in it.
func TestStopIsOneRequest(t *testing.T) {
	_, r, b := onDuty(t)
	path, _ := firstStop(t, r, b)
	w := get(t, b, path)
	page := w.Body.String()
	for _, bad := range []string{"<link rel=\"stylesheet", "src=", "@import", "url(", " style=", " onclick="} {
		if strings.Contains(page, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	policy := w.Header().Get("Content-Security-Policy")
	if !strings.Contains(policy, hashOf(stopScript)) || !strings.Contains(policy, hashOf(stopStyle)) || strings.Contains(policy, "unsafe") {
		t.Errorf("policy %s", policy)
	}
	if !strings.Contains(page, "<script>"+stopScript+"</script>") || !strings.Contains(page, "<style>"+stopStyle+"</style>") {
		t.Error("what the policy names is not what the page holds")
	}
	if len(page) > 60<<10 {
		t.Errorf("%d bytes", len(page))
	}
	if w.Header().Get("Referrer-Policy") != "no-referrer" {
		t.Error("the address may be passed on")
	}
}

// The number that decides about the product stands on the page before anybody has
// measured it: with the limit, in the tech's unit, and with its age where the
// machine is silent.
func TestStopSaysHowWarmTheProductIs(t *testing.T) {
	w, r, b := onDuty(t)
	page := func() string {
		path, _ := firstStop(t, r, b)
		return strings.ReplaceAll(get(t, b, path).Body.String(), nb, " ")
	}
	job := r.Day().Plan.Routes[0].Visits[0].Stop.Jobs[0]
	v := w.views[job.Machine]
	v.LastHeard = collector.MillisOf(w.now)
	w.views[job.Machine] = v
	m, _ := w.fleet.Machine(job.Machine)
	has(t, page(), "By the sensors about "+strings.ReplaceAll(metric.temperature(v.ProductTemperature), nb, " ")+" now; its limit is "+strings.ReplaceAll(metric.temperature(m.Limits.Warm), nb, " ")+".")
	r.roster.Techs[0].Fahrenheit = true
	v.LastHeard = collector.MillisOf(w.now.Add(-3 * time.Hour))
	w.views[job.Machine] = v
	has(t, page(), "By the sensors about "+strings.ReplaceAll(imperial.temperature(v.ProductTemperature), nb, " ")+" when it was heard last, 4:05 am;")

	// The sensors stand between the packages; what stands next to the cold air is
	// spoken of once it may be frozen.
	m.Product, m.Limits = fleet.SealedBeverage, fleet.SealedBeverage.Limits()
	const beside = "What stands next to the cold air may be frozen, whatever the rest is"
	for i := range w.open {
		if a := &w.open[i]; a.ID == job.Alert {
			a.LimitSide, a.LimitEarly, a.LimitAt = detect.Cold, collector.MillisOf(w.now.Add(time.Minute)), collector.MillisOf(w.now.Add(time.Hour))
		}
	}
	if strings.Contains(page(), beside) {
		t.Error("it may be frozen before the forecast says so")
	}
	w.pass(2 * time.Minute)
	has(t, page(), beside)
}

// What is taken for granted of a tech who reports nothing is said to everybody.
func TestSilenceIsSaid(t *testing.T) {
	w, r, b := onDuty(t)
	path, site := firstStop(t, r, b)
	v := r.Day().Plan.Routes[0].Visits[0]
	r.legs = map[string]route.Leg{"ben": {Shift: r.Day().Plan.Routes[0].Tech.From, Stop: site, Name: v.Stop.Name, Leave: w.now, Arrive: w.now.Add(30 * time.Minute)}}
	w.pass(10 * time.Minute)
	has(t, get(t, b, "/route").Body.String(), "nothing reported; taken to be on the way to "+v.Stop.Name)
	has(t, get(t, b, path).Body.String(), "taken to be on the way since", "Driving there now", "Arrived")
	w.pass(35 * time.Minute)
	has(t, get(t, b, "/route").Body.String(), "should be at "+v.Stop.Name)
	w.pass(40 * time.Minute)
	has(t, get(t, b, "/route").Body.String(), "Ben Okoro: not heard of since", "call them")
	has(t, get(t, b, path).Body.String(), "others may be sent here")
	press(t, b, path+"/arrived", nil)
	if page := get(t, b, "/route").Body.String(); strings.Contains(page, "not heard of") {
		t.Error("has reported, and is not heard of")
	}
}

// An alert is taken by its link alone; looking takes nothing, and pressing twice is
// once.
func TestAlertIsTakenByLink(t *testing.T) {
	w, _, b := onDuty(t)
	path := "/take/" + b.links.Token(notify.Grant{Alert: "A-000001", Person: "ben", Until: w.now.Add(time.Hour).Unix()})
	has(t, get(t, b, path).Body.String(), "<h1>evaporator fan stopped</h1>", "I take it", "evaporator fan draws 0.02", "keep the plug in your own hands", "geo:42.")
	if a, _ := w.Alert(t.Context(), "A-000001"); a.State != alerts.Unacknowledged {
		t.Fatal("looking took it")
	}
	for range 2 {
		_, page := press(t, b, path, nil)
		has(t, page, "Taken by ben")
	}
	if a, _ := w.Alert(t.Context(), "A-000001"); a.State != alerts.Acknowledged || a.AcknowledgedBy != "ben" || len(w.steps["A-000001"]) != 2 {
		t.Errorf("%+v %v", a, w.steps["A-000001"])
	}
	stop, _ := firstStop(t, &rounds{w: w, roster: b.routesOf.(*rounds).roster}, b)
	for want, bad := range map[int]string{404: "/take/" + strings.TrimPrefix(stop, "/stop/"), 410: "/take/" + b.links.Token(notify.Grant{Alert: "A-000001", Person: "ben", Until: w.now.Unix()})} {
		if code := get(t, b, bad).Code; code != want {
			t.Errorf("%s: %d, want %d", bad, code, want)
		}
		if code, _ := press(t, b, bad, nil); code != want {
			t.Errorf("pressed: %d, want %d", code, want)
		}
	}
	if code := get(t, b, "/take/"+b.links.Token(notify.Grant{Alert: "A-none", Person: "ben", Until: w.now.Add(time.Hour).Unix()})).Code; code != 404 {
		t.Errorf("an alert that is not there: %d", code)
	}
}

// noted is travel that is not as it should be.
type noted struct{ route.GreatCircle }

func (n noted) Table(ctx context.Context, places []route.Point) (route.Table, error) {
	t, err := n.GreatCircle.Table(ctx, places)
	t.Note = "The routing server gives no travel times (it is tired)."
	return t, err
}

func TestEstimatedTravelIsSaid(t *testing.T) {
	_, r, b := onDuty(t)
	if strings.Contains(get(t, b, "/route").Body.String(), "routing server") {
		t.Error("said, and nothing is wrong")
	}
	r.travel = noted{}
	has(t, get(t, b, "/route").Body.String(), "The routing server gives no travel times (it is tired).")
}
