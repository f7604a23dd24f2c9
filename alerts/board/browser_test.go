package board

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"coilward/collector/racetest"
	"coilward/detect/fault"
)

// browser starts one headless Chromium for a test and returns a way to open
// tabs in it. What the console says is collected as the test's error.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("short: the screens are not looked at")
	}
	if racetest.Enabled {
		t.Skip("what a browser shows is looked at without the race detector; what the board's goroutines share is seen by the tests without a browser")
	}
	bin, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("COILWARD_REAL") == "1" {
			t.Fatal("chromium is not installed, and COILWARD_REAL=1 asks for it")
		}
		t.Skip("chromium is not installed: the screens are not looked at")
	}
	opts := append([]chromedp.ExecAllocatorOption{}, chromedp.ExecPath(bin), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium does not start: %v", err)
	}
	return ctx
}

// tab opens a tab of the given width; every complaint of the console fails t.
func tab(t *testing.T, ctx context.Context, width, height int64, dark bool) context.Context {
	t.Helper()
	complain := func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			if e.Type == "error" || e.Type == "warning" || e.Type == "assert" {
				t.Errorf("console: %s", e.Args[0].Value)
			}
		case *runtime.EventExceptionThrown:
			t.Errorf("script: %+v", e.ExceptionDetails)
		case *log.EventEntryAdded:
			if strings.Contains(e.Entry.Text, "status of 409") {
				return // a refusal is an answer
			}
			if e.Entry.Level == "error" || e.Entry.Level == "warning" {
				t.Errorf("browser: %s %s", e.Entry.Text, e.Entry.URL)
			}
		}
	}
	ctx, cancel := chromedp.NewContext(ctx, chromedp.WithListener(complain), chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(ctx, 60*time.Second)
	t.Cleanup(stop)
	for _, err := range []error{
		call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 700}),
		call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: either(dark, "dark", "light")}}}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return ctx
}

func call[P, R any](ctx context.Context, c cdp.Command[P, R], p P) error {
	_, err := chromedp.Call(ctx, c, p)
	return err
}

// eval runs an expression in the page.
func eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%v in: %.80s", err, expression)
	}
	return v
}

// shot saves a picture of the whole page when COILWARD_SHOTS names a folder.
func shot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	dir := os.Getenv("COILWARD_SHOTS")
	if dir == "" {
		return
	}
	beyond := true
	got, err := chromedp.Call(ctx, cdppage.CaptureScreenshot, cdppage.CaptureScreenshotParams{CaptureBeyondViewport: &beyond})
	if err != nil {
		t.Fatal(err)
	}
	_ = os.MkdirAll(dir, 0o755)
	if err := os.WriteFile(filepath.Join(dir, name+".png"), got.Data, 0o644); err != nil {
		t.Error(err)
	}
}

// overflow says by how many pixels the page is wider than the window, and
// what sticks out.
const overflow = `(() => {
  const w = document.documentElement.clientWidth, out = [];
  for (const e of document.body.querySelectorAll("*")) {
    const r = e.getBoundingClientRect();
    if (r.width && r.right > w + 0.5 && r.left >= 0 && !e.closest("svg")) out.push(e.tagName + "." + e.className + " " + Math.round(r.right - w));
  }
  return document.documentElement.scrollWidth > w ? [String(document.documentElement.scrollWidth - w), ...out.slice(0, 5)] : [];
})()`

// faint lists text whose contrast with what is behind it is below WCAG 2.2
// AA, 4.5:1, or 3:1 for large text (24 px, or 18.66 px bold), by the formula of
// the standard (relative luminance, success criterion 1.4.3).
const faint = `(() => {
  const parse = (s) => { const m = s.match(/[\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3]));
  const lum = (c) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }; return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const behind = (e) => { const stack = []; for (; e; e = e.parentElement) stack.push(parse(getComputedStyle(e).backgroundColor)); let c = [255, 255, 255]; for (const s of stack.reverse()) c = over(s, c); return c; };
  const out = []; let seen = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || e.closest("script, [hidden], .skip")) continue;
    const r = e.getBoundingClientRect(); if (!r.width || r.left < -1000) continue;
    const style = getComputedStyle(e), svg = e.closest("svg");
    const bg = svg && e.closest(".pins") ? parse(getComputedStyle(e.parentElement.querySelector("circle")).fill) : behind(e);
    const fg = over(parse(svg ? style.fill : style.color), bg);
    const [a, b] = [lum(fg), lum(bg)].sort((x, y) => y - x), ratio = (a + 0.05) / (b + 0.05);
    const size = parseFloat(style.fontSize), large = size >= 24 || size >= 18.66 && Number(style.fontWeight) >= 700;
    seen++;
    if (ratio < (large ? 3 : 4.5)) out.push(ratio.toFixed(2) + " " + e.tagName + "." + e.className + " " + walk.currentNode.textContent.trim().slice(0, 40));
  }
  return seen ? [...new Set(out)].slice(0, 10) : ["no text at all"];
})()`

// small lists targets below 24 px (WCAG 2.2, 2.5.8), links in a sentence
// excepted as there; a link that is all of its paragraph is in none.
const small = `(() => {
  const out = [];
  for (const e of document.querySelectorAll("a, button, input:not([type=hidden]), select, summary, [tabindex='0']")) {
    const r = e.getBoundingClientRect();
    if (!r.width || r.left < -1000 || e.closest("[hidden]")) continue;
    const p = e.closest("p"), said = (x) => x.textContent.trim().length;
    if (p && said(p) > said(e)) continue;
    if (r.height < 23.5 || r.width < 23.5) out.push(e.tagName + "." + e.className + " " + e.textContent.trim().slice(0, 30) + " " + Math.round(r.width) + "x" + Math.round(r.height));
  }
  return [...new Set(out)].slice(0, 10);
})()`

func TestScreensInABrowser(t *testing.T) {
	chrome := browser(t)
	quiet, big, hurt := newWorld(t, 40, 6), newWorld(t, 2000, 8), troubled(t)
	big.open = nil
	for i, m := range []string{"cab-0500", "cab-1200", "cab-2100"} {
		big.hurt(m, []fault.Fault{fault.EvaporatorFanStopped, fault.CompressorNotStarting, fault.CompressorWeak}[i], 0.9, time.Duration(i+1)*3*time.Hour, 5, 2, 1)
	}
	hurt.health = []Degraded{{Part: "e-mail", Text: "The mail server refuses connections; alerts wait in the outbox and are tried again every minute.", Since: fixedNow.Add(-30 * time.Minute)}}
	for _, w := range []struct {
		name  string
		world *world
		paths map[string]string
	}{
		{"hurt", hurt, map[string]string{"fleet": "/", "machine": "/machines/cab-0403", "machine7d": "/machines/cab-0403?span=7d", "well": "/machines/cab-0402", "alerts": "/alerts", "alert": "/alerts/A-000002", "site": "/sites/site-01", "reader": "/reader", "hotday": "/hot-day", "hotdayf": "/hot-day?f=113"}},
		{"quiet", quiet, map[string]string{"fleet": "/", "alerts": "/alerts"}},
		{"big", big, map[string]string{"fleet": "/", "find": "/find?q=cab-05"}},
	} {
		server := httptest.NewServer(w.world.board(t))
		t.Cleanup(server.Close)
		for name, path := range w.paths {
			for _, size := range []struct {
				name          string
				width, height int64
				dark          bool
			}{{"1280", 1280, 900, false}, {"390", 390, 844, false}, {"390dark", 390, 844, true}} {
				t.Run(w.name+"/"+name+"/"+size.name, func(t *testing.T) {
					ctx := tab(t, chrome, size.width, size.height, size.dark)
					if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+path), chromedp.WaitReady("footer")); err != nil {
						t.Fatal(err)
					}
					wide, dim, tiny := eval[[]string](t, ctx, overflow), eval[[]string](t, ctx, faint), eval[[]string](t, ctx, small)
					for what, found := range map[string][]string{"wider than the window": wide, "too faint": dim, "too small a target": tiny} {
						if len(found) > 0 {
							t.Errorf("%s:\n%s", what, strings.Join(found, "\n"))
						}
					}
					shot(t, ctx, w.name+"-"+name+"-"+size.name)
				})
			}
		}
	}
}

// until waits in the page until the expression is true.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	for {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool](expression))
		switch {
		case err == nil:
			return
		case ctx.Err() != nil || !strings.Contains(err.Error(), "(-32000)"): // but for a page that is just going: ask the next one
			t.Fatalf("%v: never came true: %s", err, expression)
		}
	}
}

// click clicks on a page the stream keeps fresh. A node looked up may be
// replaced before the click reaches it; then nothing was clicked and the fresh
// one is looked up.
func click(t *testing.T, ctx context.Context, css string) {
	t.Helper()
	for {
		switch err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(css))); {
		case err == nil:
			return
		case ctx.Err() != nil || !strings.Contains(err.Error(), "(-32000)"):
			t.Fatalf("%v: cannot click %s", err, css)
		}
	}
}

func TestAcknowledgeByClickAndByKeyboard(t *testing.T) {
	chrome := browser(t)
	for name, take := range map[string]func(t *testing.T, ctx context.Context){
		"click": func(t *testing.T, ctx context.Context) {
			click(t, ctx, "#take-x-cab-0403")
			if err := chromedp.Do(ctx, chromedp.WaitVisible(chromedp.CSS("#name")),
				chromedp.SendKeys(chromedp.CSS("#name"), "Ana"), chromedp.Click(chromedp.CSS("#reader .act"))); err != nil {
				t.Fatal(err)
			}
		},
		"keyboard": func(t *testing.T, ctx context.Context) {
			// Tab from the top until the button has the focus, as a person would.
			for range 60 {
				if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab)); err != nil {
					t.Fatal(err)
				}
				if eval[string](t, ctx, "document.activeElement.id") == "take-x-cab-0403" {
					break
				}
			}
			if got := eval[string](t, ctx, "document.activeElement.id + ' ' + getComputedStyle(document.activeElement).outlineStyle"); got != "take-x-cab-0403 solid" {
				t.Fatalf("the button cannot be reached, or its focus not seen: %q", got)
			}
			if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Enter), chromedp.WaitVisible(chromedp.CSS("#name"))); err != nil {
				t.Fatal(err)
			}
			until(t, ctx, "document.activeElement.id === 'name'")
			if err := chromedp.Do(ctx, chromedp.KeyEvent("Ana"+kb.Enter)); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			w := troubled(t)
			b := w.board(t)
			server := httptest.NewServer(b)
			t.Cleanup(server.Close)
			t.Cleanup(b.Close)
			watcher, ctx := tab(t, chrome, 1280, 900, false), tab(t, chrome, 390, 844, false)
			for _, c := range []context.Context{watcher, ctx} {
				if err := chromedp.Do(c, chromedp.Navigate(server.URL+"/"), chromedp.WaitReady("footer")); err != nil {
					t.Fatal(err)
				}
			}
			take(t, ctx)
			until(t, ctx, "location.pathname === '/' && document.getElementById('x-cab-0403')?.textContent.includes('taken by Ana')")
			// Who only watches sees it too, without doing anything.
			until(t, watcher, "document.getElementById('x-cab-0403').textContent.includes('taken by Ana')")
			if a, _ := w.Alert(t.Context(), "A-000001"); a.AcknowledgedBy != "Ana" {
				t.Errorf("acknowledged by %q", a.AcknowledgedBy)
			}
		})
	}
}

func TestCrosshairByKeyboardAndTouch(t *testing.T) {
	chrome := browser(t)
	w := troubled(t)
	b := w.board(t)
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	t.Cleanup(b.Close)
	ctx := tab(t, chrome, 390, 844, false)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/machines/cab-0403"), chromedp.WaitReady("#axis")); err != nil {
		t.Fatal(err)
	}
	// By script, since the stream may put a fresh axis in place between looking
	// one up and using it.
	eval[bool](t, ctx, "(document.getElementById('axis').focus(), true)")
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.Home)); err != nil {
		t.Fatal(err)
	}
	says := "document.getElementById('axis').getAttribute('aria-valuetext')"
	// 24 hours before Fri 14:20 in New York.
	if got := eval[string](t, ctx, says); !strings.HasPrefix(got, "Thu\u00a014:2") && !strings.HasPrefix(got, "Thu\u00a02:2") || !strings.Contains(got, "cabinet air") {
		t.Errorf("at the left end it says %q", got)
	}
	before := eval[string](t, ctx, says)
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.ArrowRight)); err != nil {
		t.Fatal(err)
	}
	if got := eval[string](t, ctx, says); got == before {
		t.Errorf("an arrow key does not move it: %q", got)
	}
	eval[bool](t, ctx, "(document.querySelector('.strip.air .plot').scrollIntoView({block: 'center'}), true)")
	box := eval[[]float64](t, ctx, "(() => { const r = document.querySelector('.strip.air .plot').getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()")
	if err := chromedp.Do(ctx, chromedp.TapXY(box[0], box[1])); err != nil {
		t.Fatal(err)
	}
	// Half of 24 hours before 14:20 is 02:20, a quarter of an hour either way.
	if got := eval[string](t, ctx, "document.getElementById('under').textContent"); !strings.HasPrefix(got, "At 2:") && !strings.HasPrefix(got, "At 02:") {
		t.Errorf("a touch in the middle says %q", got)
	}
}

// A page that has lost its stream says since when, and takes it up again.
func TestLostStreamIsSaid(t *testing.T) {
	chrome := browser(t)
	w := troubled(t)
	b := w.board(t)
	var cut atomic.Bool
	stops := make(chan context.CancelFunc, 100)
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if cut.Load() && strings.HasPrefix(r.URL.Path, "/live/") {
			rw.WriteHeader(http.StatusNoContent) // as a proxy in front may
			return
		}
		ctx, stop := context.WithCancel(r.Context())
		defer stop()
		if strings.HasPrefix(r.URL.Path, "/live/") {
			stops <- stop
		}
		b.ServeHTTP(rw, r.WithContext(ctx))
	}))
	t.Cleanup(server.Close)
	t.Cleanup(b.Close)
	ctx := tab(t, chrome, 390, 844, false)
	if err := chromedp.Do(ctx, chromedp.Navigate(server.URL+"/"), chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	var stop context.CancelFunc
	select {
	case stop = <-stops: // the page is live before it is cut off
	case <-ctx.Done():
		t.Fatal("the page never asked for its stream")
	}
	until(t, ctx, "document.getElementById('lost').hidden")
	cut.Store(true)
	stop()
	until(t, ctx, "!document.getElementById('lost').hidden && document.getElementById('lost').textContent.includes('Not live since Fri')")
	cut.Store(false)
	until(t, ctx, "document.getElementById('lost').hidden")
}
