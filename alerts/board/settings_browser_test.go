package board

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// looked checks a page as it stands in a browser, and takes its picture.
func looked(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	for what, script := range map[string]string{"wider than the window": overflow, "too faint": faint, "too small a target": small} {
		if found := eval[[]string](t, ctx, script); len(found) > 0 {
			t.Errorf("%s, %s:\n%s", name, what, strings.Join(found, "\n"))
		}
	}
	shot(t, ctx, name)
}

// The pages of settings and trials fit, can be read and hit, at both widths.
func TestSettingsInABrowser(t *testing.T) {
	chrome := browser(t)
	w, b, trials := tunable(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	h := &hand{t: t, b: b}
	save := func(form url.Values, how url.Values) {
		t.Helper()
		draft := h.post("/settings", form, http.StatusSeeOther)
		h.post(draft+"/save", how, http.StatusSeeOther)
	}
	save(url.Values{"at": {"fleet"}, "limits.dairy.warm": {"4.5"}, "alerting.on_delay.medium": {"20m"}}, url.Values{"name": {"Ana"}, "why": {"fewer calls about doors"}, "when": {"now"}})
	draft := h.post("/settings", url.Values{"at": {"site site-01"}, "alerting.quiet_hours": {"22:00-06:00"}, "alerting.off_delay": {"1m"}, "alerting.false_alarms": {"2"},
		"opening_hours.mon": {"06:00-11:00, 12:00-18:00"}}, http.StatusSeeOther)
	under := h.post(draft+"/try", url.Values{"days": {"30"}, "site": {"site-01"}}, http.StatusSeeOther)
	trials.change("1", func(x *TrialRun) { x.Done, x.Left = 0.42, 20*time.Second })
	done := h.post(draft+"/try", url.Values{"days": {"14"}, "wanted": {"2"}}, http.StatusSeeOther)
	trials.change("2", func(x *TrialRun) { x.Done, x.Ended, x.Result = 1, w.Now(), finished() })
	save(url.Values{"at": {"kind open-front"}, "alerting.deadband": {"0.5"}}, url.Values{"why": {"they hover at the limit"}, "when": {"ask"}, "pilot": {"site-02"}})
	for _, p := range []struct{ name, path string }{
		{"settings", "/settings"}, {"settings-site", "/settings?at=site+site-01&draft=" + draft[strings.LastIndex(draft, "/")+1:]}, {"settings-machine", "/settings?at=machine+cab-0403"},
		{"draft", draft}, {"versions", "/settings/versions"}, {"import", "/settings/import"}, {"trial-running", under}, {"trial", done}, {"trials", "/trials"},
		{"strips-past", "/machines/cab-0402?span=24h&until=" + url.QueryEscape(w.now.Add(-9*time.Hour).Format(time.RFC3339))},
	} {
		for _, size := range []struct {
			name          string
			width, height int64
			dark          bool
		}{{"1280", 1280, 900, false}, {"390", 390, 844, false}, {"390dark", 390, 844, true}} {
			t.Run(p.name+"/"+size.name, func(t *testing.T) {
				ctx := tab(t, chrome, size.width, size.height, size.dark)
				if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+p.path), chromedp.WaitReady("footer")); err != nil {
					t.Fatal(err)
				}
				looked(t, ctx, p.name+"-"+size.name)
			})
		}
	}
}

// While parts of a page are put in the place of others, whoever goes through it by
// the keyboard stays where they are, and what they folded stays folded.
func TestFocusStaysThroughUpdates(t *testing.T) {
	chrome := browser(t)
	w, b, trials := tunable(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	t.Cleanup(b.Close)
	h := &hand{t: t, b: b}
	draft := h.post("/settings", url.Values{"at": {"fleet"}, "alerting.on_delay.medium": {"20m"}}, http.StatusSeeOther)
	under := h.post(draft+"/try", url.Values{"days": {"30"}}, http.StatusSeeOther)
	ctx := tab(t, chrome, 1280, 900, false)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+under), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	at := func(want string) {
		t.Helper()
		if got := eval[string](t, ctx, "(document.activeElement.id || document.activeElement.textContent.trim()) + ' ' + document.activeElement.tagName"); got != want {
			t.Errorf("the focus is at %q, want %q", got, want)
		}
	}
	done := func(share float64) {
		t.Helper()
		trials.change("1", func(x *TrialRun) { x.Done = share })
		until(t, ctx, fmt.Sprintf("document.getElementById('trial-progress')?.value === %g", 100*share))
	}
	eval[bool](t, ctx, "(document.querySelector('#trialrun nav a[href=\"/settings\"]').focus(), true)") // it has no id
	done(0.25)
	at("Settings A")
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
		t.Fatal(err)
	}
	at("trial-cancel BUTTON")
	done(0.5)
	at("trial-cancel BUTTON")
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Enter)); err != nil {
		t.Fatal(err)
	}
	until(t, ctx, "!document.getElementById('trial-changes').open")
	done(0.75)
	at("What is tried SUMMARY")
	if eval[bool](t, ctx, "document.getElementById('trial-changes').open") {
		t.Error("what was folded is open again")
	}
	eval[bool](t, ctx, "(document.getElementById('trial-cancel').focus(), true)")
	// Where what had the focus is gone, the part has it: the next key goes on from there.
	trials.change("1", func(x *TrialRun) { x.Done, x.Ended, x.Result = 1, w.Now(), finished() })
	until(t, ctx, "document.querySelector('.trialsum') !== null")
	at("trialrun SECTION")
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
		t.Fatal(err)
	}
	at("Trials A")
}

// An admin at the keyboard and mouse: choose a site, change a value, try it, watch
// the bar, see the result come in, save it.
func TestTrialByHand(t *testing.T) {
	chrome := browser(t)
	w, b, trials := tunable(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	t.Cleanup(b.Close)
	ctx := tab(t, chrome, 390, 844, false)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/settings?at=site+site-02"), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	field := "#" + elementID("alerting.on_delay.medium")
	if err := chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS(field), "25 min")); err != nil {
		t.Fatal(err)
	}
	click(t, ctx, ".goon .act")
	until(t, ctx, "document.getElementById('draft')?.textContent.includes('25 min')")
	// The site that the change is of is chosen already.
	if got := eval[string](t, ctx, "[...document.querySelectorAll('input[name=site]:checked')].map((e) => e.value).join()"); got != "site-02" {
		t.Errorf("chosen are %q", got)
	}
	looked(t, ctx, "draft-save-390")
	click(t, ctx, ".way .act")
	until(t, ctx, "location.pathname === '/trials/1' && document.getElementById('trial-progress') !== null")
	trials.change("1", func(x *TrialRun) { x.Done = 0.5 })
	until(t, ctx, "document.getElementById('trial-progress')?.value === 50")
	// Text in the form below stays while the bar moves.
	if err := chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("#why"), "quieter")); err != nil {
		t.Fatal(err)
	}
	trials.change("1", func(x *TrialRun) { x.Done, x.Ended, x.Result = 1, w.Now(), finished() })
	until(t, ctx, "document.querySelector('.trialsum')?.textContent.includes('12 alerts')")
	if err := chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("#why"), " nights"), chromedp.SendKeys(chromedp.CSS("#savename"), "Ana")); err != nil {
		t.Fatal(err)
	}
	looked(t, ctx, "trial-save-390")
	click(t, ctx, "#trialsave .act")
	until(t, ctx, "location.pathname === '/settings/versions' && document.getElementById('version-1')?.textContent.includes('quieter nights')")
	if _, e := b.settings.InUse(); e.Number != 1 {
		t.Errorf("version %d is in effect", e.Number)
	}
}
