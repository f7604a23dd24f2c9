package board

import (
	"context"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"coilward/detect/fault"
)

// browser starts one headless Chromium for a test and returns a way to open
// tabs in it. What the console says is collected as the test's error.
func browser(t *testing.T) context.Context {
	t.Helper()
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
// excepted as there.
const small = `(() => {
  const out = [];
  for (const e of document.querySelectorAll("a, button, input:not([type=hidden]), select, summary, [tabindex='0']")) {
    const r = e.getBoundingClientRect();
    if (!r.width || r.left < -1000 || e.closest("[hidden]") || e.closest("p")) continue;
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
	hurt.health = []Degraded{{"e-mail", "The mail server refuses connections; alerts wait in the outbox and are tried again every minute.", fixedNow.Add(-30 * time.Minute)}}
	for _, w := range []struct {
		name  string
		world *world
		paths map[string]string
	}{
		{"hurt", hurt, map[string]string{"fleet": "/", "machine": "/machines/cab-0403", "machine7d": "/machines/cab-0403?span=7d", "well": "/machines/cab-0402", "alerts": "/alerts", "alert": "/alerts/A-000002", "site": "/sites/site-01", "reader": "/reader"}},
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
