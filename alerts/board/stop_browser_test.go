package board

import (
	"context"
	"fmt"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// phone is a tech's phone with a stop open in it.
type phone struct {
	t     *testing.T
	ctx   context.Context
	shots int
	name  string
}

func (p *phone) open(address string) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, chromedp.Navigate(address), chromedp.WaitReady("footer")); err != nil {
		p.t.Fatal(err)
	}
	p.look()
}

// look checks what must hold of every screen, and takes a picture.
func (p *phone) look() {
	p.t.Helper()
	for what, script := range map[string]string{"wider than the window": overflow, "too faint": faint, "too small a target": small} {
		if got := eval[[]string](p.t, p.ctx, script); len(got) > 0 {
			p.t.Errorf("%s:\n%s", what, strings.Join(got, "\n"))
		}
	}
	p.shots++
	shot(p.t, p.ctx, fmt.Sprintf("stop-%s-%02d", p.name, p.shots))
}

// press presses the button with the text; wait must come true after it.
func (p *phone) press(text, wait string) {
	p.t.Helper()
	found := eval[bool](p.t, p.ctx, fmt.Sprintf(`(() => { const b = [...document.querySelectorAll("button")].find((b) => b.textContent.trim() === %q); if (b) b.click(); return Boolean(b); })()`, text))
	if !found {
		p.t.Fatalf("no button %q on the page:\n%s", text, eval[string](p.t, p.ctx, "document.querySelector('main').innerText"))
	}
	p.until(wait)
}

func (p *phone) until(wait string) {
	p.t.Helper()
	until(p.t, p.ctx, fmt.Sprintf(`document.querySelector("main")?.innerText.includes(%q)`, wait))
}

// A tech's morning, played through on the phone from the message on: take, drive,
// arrive, check, measure, close, done, next stop.
func TestMorningByTheMessage(t *testing.T) {
	chrome := browser(t)
	for name, dark := range map[string]bool{"day": false, "night": true} {
		t.Run(name, func(t *testing.T) {
			w, r, b := onDuty(t)
			server := httptest.NewServer(b)
			t.Cleanup(server.Close)
			m, _ := r.Day().Member("ben")
			planned, _ := r.Day().Route("ben")
			message := b.writes.RouteText(b.tech(m), planned, w.Now(), func(stop string) string { return server.URL + b.stopPath(m, stop, w.Now()) })
			links := regexp.MustCompile(`http://\S+/stop/\S+`).FindAllString(message, -1)
			if len(links) < 2 {
				t.Fatalf("the message has %d links:\n%s", len(links), message)
			}
			alert := planned.Visits[0].Stop.Jobs[0].Alert
			p := &phone{t: t, ctx: tab(t, chrome, 390, 844, dark), name: name}
			p.open(links[0])
			height := eval[float64](t, p.ctx, `document.querySelector("button.act").getBoundingClientRect().height`)
			if height < 48 {
				t.Errorf("the button is %.0f px high: not for a gloved thumb", height)
			}
			p.press("I take this stop", "")
			until(t, p.ctx, `!document.querySelector("main").innerText.includes("I take this stop")`)
			if a, _ := w.Alert(t.Context(), alert); a.AcknowledgedBy != "Ben Okoro" {
				t.Errorf("taken by %q", a.AcknowledgedBy)
			}
			p.press("Driving there now", "You are driving there since")
			w.pass(20 * time.Minute)
			p.look()
			p.press("Arrived", "You are here since")
			p.look()
			p.press("It does not move", "Found so far")
			p.look()
			eval[bool](t, p.ctx, `(document.querySelectorAll("details").forEach((d) => { d.open = true; }), true)`)
			p.look()
			p.press("Start 15\u00a0min timer", ":")
			until(t, p.ctx, `document.querySelector("[data-left]")?.textContent.includes("left")`)
			eval[bool](t, p.ctx, `(() => { const i = document.querySelector("input[name=temp]"); i.value = "4.6"; return true; })()`)
			p.press("What now?", "used up") // warm since this morning's fill, says the trace
			until(t, p.ctx, `document.querySelector("input[name=temp]").defaultValue === "4.6"`)
			p.look()
			eval[bool](t, p.ctx, `(() => {
				for (const d of document.querySelectorAll("details")) d.open = true;
				document.querySelector("input[name=kind][value=repaired]").checked = true;
				document.querySelector("select[name=fault]").value = "evaporator-fan-stopped";
				document.querySelector("textarea[name=what]").value = "Fan motor replaced, strip is drawn in again";
				document.querySelector("input[name='part:evaporator fan motor']").value = "1";
				return true; })()`)
			p.press("Close the visit to "+planned.Visits[0].Stop.Jobs[0].Machine, "Fan motor replaced")
			p.look()
			p.press("Done here", "You have finished here")
			p.look()
			kept, err := b.visits.Visits(t.Context(), ledger.VisitQuery{Labelled: true})
			if err != nil || len(kept) != 1 || kept[0].Label != "evaporator-fan-stopped" {
				t.Errorf("%+v %v", kept, err)
			}
			next := eval[string](t, p.ctx, `[...document.querySelectorAll("a.press.act")].pop().href`)
			p.open(next)
			p.until("You have not set out yet")
			_, by := r.kept("ben")
			for i, step := range []string{"driving", "arrived", "done"} {
				if len(by) != 3 || !strings.HasPrefix(by[i], step+" ") {
					t.Fatalf("the morning went %v", by)
				}
			}
		})
	}
}

// Without a connection nothing that is pressed is lost: it is kept on the phone,
// outlasts the page, and is sent in its order, with its age, once there is one.
func TestPressedOffline(t *testing.T) {
	chrome := browser(t)
	w, r, b := onDuty(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	path, _ := firstStop(t, r, b)
	alert := r.Day().Plan.Routes[0].Visits[0].Stop.Jobs[0].Alert
	p := &phone{t: t, ctx: tab(t, chrome, 390, 844, false), name: "offline"}
	p.open(server.URL + path)
	p.press("Driving there now", "You are driving there since")
	p.press("Arrived", "You are here since")
	eval[bool](t, p.ctx, `(window.online = window.fetch, window.fetch = () => Promise.reject(new TypeError("no connection")), true)`)
	p.press("It does not move", "Does air move")
	until(t, p.ctx, `!document.getElementById("kept").hidden && document.getElementById("kept").innerText.includes("No connection")`)
	p.look()
	if kept, _ := b.visits.Visits(t.Context(), ledger.VisitQuery{}); len(kept) != 0 {
		t.Fatal("it was sent after all: the test shows nothing")
	}
	eval[bool](t, p.ctx, `(document.querySelectorAll("details").forEach((d) => { d.open = true; }), true)`)
	p.press("Shuts by itself and holds the strip all round", "Does air move")
	until(t, p.ctx, `document.getElementById("kept").innerText.includes("2 things")`)
	// The phone is put away, and the page opened anew where there is a connection.
	p.open(server.URL + path)
	p.until("Shuts by itself and holds the strip all round")
	p.until("It does not move")
	until(t, p.ctx, `document.getElementById("kept").hidden`)
	if a, _ := w.Alert(t.Context(), alert); a.State != alerts.Unacknowledged {
		t.Error("something was pressed that nobody pressed")
	}
	// What is refused is said, and does not stand in the way.
	eval[bool](t, p.ctx, `(() => { for (const d of document.querySelectorAll("details")) d.open = true; document.querySelector("input[name=kind][value=repaired]").checked = true; document.querySelector("input[name=product][value=sell]").checked = true; document.querySelector("form[action$=outcome] button").click(); return true; })()`)
	until(t, p.ctx, `document.getElementById("kept").innerText.includes("Say what was wrong and what you repaired")`)
	p.look()
}

// The pages on which techs and parts are edited, on a phone and a desk.
func TestCrewPagesInABrowser(t *testing.T) {
	chrome := browser(t)
	_, b := onCrew(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	for _, width := range []int64{390, 1280} {
		for name, path := range map[string]string{"list": "/crew", "tech": "/crew/tech/ben", "parts": "/crew/parts/door-leak"} {
			p := &phone{t: t, ctx: tab(t, chrome, width, 900, false), name: fmt.Sprintf("crew-%s-%d", name, width)}
			p.open(server.URL + path)
		}
	}
}
