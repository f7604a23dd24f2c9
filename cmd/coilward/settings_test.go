package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coilward/alerts/settings"
	"coilward/collector/fleet"
)

func overrides(t *testing.T, text string) *fleet.Overrides {
	t.Helper()
	o, err := fleet.ParseOverrides("settings", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// Settings saved at the board are in use at once, those with a time at that time,
// those of another process when they are seen; a file that was read again keeps
// them, and one that they contradict is not taken.
func TestSettingsInUse(t *testing.T) {
	dir := t.TempDir()
	f, err := fleet.Parse("fleet.yaml", []byte(oneSite))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "fleet.yaml"), []byte(oneSite), 0o600); err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	l := startLive(t, dir, f, start)
	stopped := false
	defer func() {
		if !stopped {
			l.stop()
		}
	}()
	warm := func() float64 {
		m, _ := l.d.fleet.Load().Machine("cab-0417")
		return float64(m.Limits.Warm)
	}
	limit := func(c string) *fleet.Overrides {
		return overrides(t, "sites: {oakmill: {limits: {sealed-beverage: {warm: "+c+"}}}}")
	}
	s := boardSettings{l.d.inUse}
	if _, err := s.Save(t.Context(), settings.Change{Who: "Ana", Why: "warmer", State: limit("8")}); err != nil {
		t.Fatal(err)
	}
	if warm() != 8 {
		t.Errorf("saved, but the warm limit is %g", warm())
	}
	later := start.Add(3 * time.Hour)
	if _, err := s.Save(t.Context(), settings.Change{Who: "Ana", Why: "by noon", Base: 1, State: limit("6"), ApplyAt: later}); err != nil {
		t.Fatal(err)
	}
	l.d.settingsDue(t.Context())
	if warm() != 8 {
		t.Errorf("before its time the warm limit is %g", warm())
	}
	l.clock.Set(later)
	l.d.settingsDue(t.Context())
	if warm() != 6 {
		t.Errorf("at its time the warm limit is %g", warm())
	}

	other, err := openLedger(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	_, err = settings.NewBook(other).Save(t.Context(), f, settings.Change{Who: "Ben", Why: "by hand", Base: 2, State: limit("4.5")}, l.clock.Now())
	if err != nil || other.Close() != nil {
		t.Fatal(err)
	}
	l.d.settingsDue(t.Context())
	if warm() != 4.5 {
		t.Errorf("saved by another process, but the warm limit is %g", warm())
	}

	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(l.d.config.FleetFile, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l.d.reload(t.Context())
	}
	write(strings.Replace(oneSite, "canteen", "cellar", 1))
	if site, _ := l.d.fleet.Load().Site("oakmill"); warm() != 4.5 || !strings.Contains(site.Name, "cellar") {
		t.Errorf("after the file was read again: %q with a warm limit of %g", site.Name, warm())
	}
	write(strings.Replace(oneSite, "product: sealed-beverage", "product: sealed-beverage, setpoint: 5, limits: {warm: 12}", 1))
	if warm() != 12 {
		t.Errorf("the machine's own limit in the file does not beat the site's settings: %g", warm())
	}
	write(strings.Replace(oneSite, "product: sealed-beverage", "product: sealed-beverage, setpoint: 5", 1))
	if warm() != 12 {
		t.Errorf("a file that the settings contradict was taken: %g", warm())
	}
	if h := l.d.inUse.settingsHealth(); len(h) != 1 {
		t.Errorf("it is not told: %v", h)
	}
	if _, err := s.Undo(t.Context(), 1, "Ana", "all back"); err != nil {
		t.Fatal(err)
	}

	// A start with what contradicts the file goes on under the file alone.
	stopped = true
	l.stop()
	again := startLive(t, dir, f, later)
	defer again.stop()
	if m, _ := again.d.fleet.Load().Machine("cab-0417"); m.Limits.Warm != 7 {
		t.Errorf("taken back and started again, the warm limit is %g", m.Limits.Warm)
	}
}

// What is exported is imported as it was; versions are listed and taken back on the
// command line; check tells of them.
func TestSettingsCommands(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "coilward.yaml")
	for name, text := range map[string]string{"coilward.yaml": "data_dir: data\n", "fleet.yaml": oneSite,
		"a.yaml": "fleet: {alerting: {on_delay: {medium: 20 min}, quiet_hours: 22:00-06:00}, limits: {sealed-beverage: {warm: 6.5}}}\n",
		"b.yaml": "machines: {cab-0417: {alerting: {off_delay: 1m}}}\n", "bad.yaml": "fleet: {limits: {sealed-beverage: {warm: -7}}}\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	do := func(want int, args ...string) string {
		t.Helper()
		var out, problems bytes.Buffer
		if got := run(t.Context(), args, &streams{strings.NewReader(""), &out, &problems}); got != want {
			t.Fatalf("%q: status %d, not %d: %s", args, got, want, &problems)
		}
		return out.String() + problems.String()
	}
	says := func(text string, wants ...string) {
		t.Helper()
		for _, w := range wants {
			if !strings.Contains(text, w) {
				t.Errorf("%q is not in\n%s", w, text)
			}
		}
	}
	set := func(what string, args ...string) []string {
		return append([]string{"settings", what, "--config", config}, args...)
	}
	says(do(statusOK, set("list")...), "Nothing was ever changed")
	empty := do(statusOK, set("export")...)
	says(do(statusOK, set("import", "--who", "Ana", "--why", "quieter", filepath.Join(dir, "a.yaml"))...),
		"version 1", "fleet: limits.sealed-beverage.warm: not set → 6.5", "fleet: alerting.on_delay.medium: not set → 20m")
	first := do(statusOK, set("export")...)
	saved := filepath.Join(dir, "saved.yaml")
	if err := os.WriteFile(saved, []byte(first), 0o600); err != nil {
		t.Fatal(err)
	}
	says(do(statusFailed, set("import", "--who", "Ana", "--why", "x", saved)...), "nothing is changed")
	says(do(statusFailed, set("import", "--who", "Ana", "--why", "x", filepath.Join(dir, "bad.yaml"))...), "bad.yaml:1:", "cold limit")
	says(do(statusOK, set("import", "--who", "Ben", "--why", "y", filepath.Join(dir, "b.yaml"))...), "version 2", "advice: cab-0417: an off-delay of 1 min")
	says(do(statusOK, "check", "--config", config), "settings: good, version 2 with 1 value", "advice: cab-0417: an off-delay of 1 min")
	do(statusOK, set("import", "--who", "Ana", "--why", "back by file", saved)...)
	if again := do(statusOK, set("export")...); again != first {
		t.Errorf("imported, it is exported as\n%swas\n%s", again, first)
	}
	do(statusOK, set("undo", "--who", "Ana", "--why", "all of it", "1")...)
	if again := do(statusOK, set("export")...); again != empty {
		t.Errorf("taken back, it is exported as\n%swas\n%s", again, empty)
	}
	if old := do(statusOK, set("export", "--version", "1")...); old != first {
		t.Errorf("version 1 is exported as\n%swas\n%s", old, first)
	}
	says(do(statusOK, set("list")...), "4  ", "takes back version 1", "Ben: y")
	says(do(statusOK, set("import", "--who", "Ana", "--why", "first there", "--pilot", "oakmill", "--ask", saved)...), "version 5")
	says(do(statusFailed, set("import", "--who", "Ben", "--why", "z", filepath.Join(dir, "b.yaml"))...), "version 5 by Ana, tried at one site")
	says(do(statusOK, set("confirm", "--who", "Ana", "--why", "good", "5")...), "in effect everywhere")
	says(do(statusOK, "settings", "keys"), "alerting.deadband", "ISA-18.2")
}
