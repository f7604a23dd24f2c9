package fleet_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/collector/fleet"
)

// said lists what applies to a machine and where it comes from.
func said(m *fleet.Machine) string {
	var out []string
	for i := range fleet.Settings {
		s := &fleet.Settings[i]
		if !s.At(fleet.OwnValue) {
			continue
		}
		v := s.Value(m)
		if v == "" {
			continue
		}
		o := m.Origin(s.Field)
		where := o.String()
		if o.Stored {
			where += "*"
		}
		out = append(out, fmt.Sprintf("%s %s (%s)", s.Key[strings.LastIndex(s.Key, ".")+1:], v, where))
	}
	return strings.Join(out, ", ")
}

func TestAlertingIsInherited(t *testing.T) {
	f := parse(t, "alerting.yaml")
	for id, want := range map[string]string{
		"cab-1": "warm 7 (built in), cold -1 (built in), low 1h (fleet), medium 15m (fleet), off_delay 20m (site oakmill), at_most high (site oakmill), quiet_hours 22:00-06:00 (fleet)",
		"cab-2": "warm 5 (built in), cold -1 (built in), low 1h (fleet), medium 5m (machine), high 0s (machine), off_delay 20m (site oakmill), restock_delay 2h (machine), " +
			"deadband 0.5 (kind open-front), false_alarms 0.5 (machine), at_least medium (machine), at_most high (site oakmill), quiet_hours 22:00-06:00 (fleet)",
		"cab-3": "warm 7 (built in), cold -1 (built in), low 1h (fleet), medium 15m (fleet), quiet_hours none (machine)",
	} {
		m, _ := f.Machine(id)
		if got := said(m); got != want {
			t.Errorf("%s:\n got %s\nwant %s", id, got, want)
		}
	}
}

const overlay = `fleet:
  limits:
    sealed-beverage:
      warm: 6.5
  alerting:
    on_delay:
      medium: 12m
    quiet_hours: "23:00-05:00"
kinds:
  open-front:
    alerting:
      deadband: 0.8
sites:
  oakmill:
    opening_hours:
      sat: "08:00-12:00, 13:00-17:00"
      sun: closed
    kinds:
      open-front:
        limits:
          dairy:
            warm: 4
machines:
  cab-1:
    limits:
      warm: 6
  cab-2:
    alerting:
      priority:
        at_least: high
`

func overrides(t testing.TB, text string) *fleet.Overrides {
	t.Helper()
	o, err := fleet.ParseOverrides("settings", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// What is laid over the file beats the file at its level and loses to what the
// file says nearer to the machine.
func TestOverridesBeatTheFileLevelByLevel(t *testing.T) {
	f := parse(t, "alerting.yaml")
	o := overrides(t, overlay)
	if got := string(o.YAML()); got != overlay {
		t.Errorf("written as\n%swant\n%s", got, overlay)
	}
	g, err := f.With(o, nil)
	if err != nil {
		t.Fatal(err)
	}
	for id, want := range map[string]string{
		"cab-1": "warm 6 (machine*), cold -1 (built in), low 1h (fleet), medium 12m (fleet*), off_delay 20m (site oakmill), at_most high (site oakmill), quiet_hours 23:00-05:00 (fleet*)",
		"cab-2": "warm 4 (kind open-front at site oakmill*), cold -1 (built in), low 1h (fleet), medium 5m (machine), high 0s (machine), off_delay 20m (site oakmill), restock_delay 2h (machine), " +
			"deadband 0.8 (kind open-front*), false_alarms 0.5 (machine), at_least high (machine*), at_most high (site oakmill), quiet_hours 23:00-05:00 (fleet*)",
		"cab-3": "warm 6.5 (fleet*), cold -1 (built in), low 1h (fleet), medium 12m (fleet*), quiet_hours none (machine)",
	} {
		m, _ := g.Machine(id)
		if got := said(m); got != want {
			t.Errorf("%s:\n got %s\nwant %s", id, got, want)
		}
	}
	s, _ := g.Site("oakmill")
	was, _ := f.Site("oakmill")
	// 2026-07-04 is a Saturday; the file is closed then, Fridays stay as they were.
	if at := time.Date(2026, 7, 4, 9, 0, 0, 0, s.Location); !s.Hours.Open(at) || was.Hours.Open(at) || !s.Hours.Open(at.AddDate(0, 0, -1)) {
		t.Error("opening hours are not laid over the file's, day by day")
	}
	if m := g.AddUnlisted("oakmill", "cab-new"); m.Limits.Warm != 6.5 {
		t.Errorf("an unlisted machine has a warm limit of %g, want the fleet's 6.5", m.Limits.Warm)
	}
	// The fleet that they were laid over has not changed.
	m, _ := f.Machine("cab-1")
	if m.Limits.Warm != 7 || f.AddUnlisted("oakmill", "cab-new").Limits.Warm != 7 {
		t.Error("the fleet file's own values changed")
	}
}

// A site can have other overrides than the rest: it tries them first.
func TestOneSiteHasItsOwn(t *testing.T) {
	f := parse(t, "alerting.yaml")
	g, err := f.With(overrides(t, "{}"), map[string]*fleet.Overrides{"tarn": overrides(t, "fleet: {limits: {sealed-beverage: {warm: 6}}}")})
	if err != nil {
		t.Fatal(err)
	}
	here, _ := g.Machine("cab-3")
	there, _ := g.Machine("cab-1")
	if here.Limits.Warm != 6 || there.Limits.Warm != 7 {
		t.Errorf("limits are %g at the site and %g elsewhere, want 6 and 7", here.Limits.Warm, there.Limits.Warm)
	}
}

// A page shows what is set at a place, and what applies there otherwise.
func TestInherited(t *testing.T) {
	f := parse(t, "alerting.yaml")
	o := overrides(t, overlay)
	g, err := f.With(o, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		scope, key, here, inherited, from string
		nearer                            int
	}{
		{"fleet", "limits.sealed-beverage.warm", "6.5", "", "built in", 1},
		{"fleet", "alerting.on_delay.medium", "12m", "15m", "fleet", 1},
		{"fleet", "alerting.on_delay.low", "", "1h", "fleet", 0},
		{"kind open-front", "alerting.deadband", "0.8", "0.5", "kind open-front", 0},
		{"kind open-front", "alerting.on_delay.medium", "", "12m", "fleet", 1},
		{"kind open-front at site oakmill", "limits.dairy.warm", "4", "", "built in", 0},
		{"site oakmill", "alerting.off_delay", "", "20m", "site oakmill", 0},
		{"site oakmill", "alerting.quiet_hours", "", "23:00-05:00", "fleet", 0},
		{"site oakmill", "opening_hours.sat", "08:00-12:00, 13:00-17:00", "closed", "site oakmill", 0},
		{"site tarn", "opening_hours.sat", "", "", "built in", 0},
		{"machine cab-1", "limits.warm", "6", "6.5", "fleet", 0},
		{"machine cab-2", "limits.warm", "", "4", "kind open-front at site oakmill", 0},
		{"machine cab-2", "alerting.priority.at_least", "high", "medium", "machine", 0},
		{"machine cab-3", "alerting.quiet_hours", "", "none", "machine", 0},
	} {
		scope, err := fleet.ParseScope(c.scope)
		if err != nil || scope.String() != c.scope {
			t.Fatalf("%q: %v, %v", c.scope, scope, err)
		}
		row, _ := fleet.SettingByKey(c.key)
		x := g.Inherited(o, scope, row)
		if x.Here != c.here || x.Inherited != c.inherited || x.From.String() != c.from || x.Nearer != c.nearer {
			t.Errorf("%s %s: %+v from %s; want %q, %q from %s, %d nearer", c.scope, c.key, x, x.From, c.here, c.inherited, c.from, c.nearer)
		}
	}
	for _, bad := range []string{"", "site", "machine a b", "kind glass", "fleet x", "kind glass-door at site ", "shop x"} {
		if s, err := fleet.ParseScope(bad); err == nil {
			t.Errorf("%q is taken for %s", bad, s)
		}
	}
}

func TestContradictionsOfOverrides(t *testing.T) {
	f := parse(t, "alerting.yaml")
	for text, want := range map[string]string{
		"fleet: {limits: {sealed-beverage: {warm: -2}}}":           `settings:1: machine "cab-1": cold limit -1 °C is not below the warm limit -2 °C (from fleet); lower one or raise the other`,
		"fleet:\n  alerting: {on_delay: {high: 2h}}":               `settings:2: machine "cab-1": the on-delay of high, 2h (from fleet), is longer than that of medium, 15m (from fleet); what is more urgent cannot wait longer`,
		"machines: {cab-2: {alerting: {deadband: 3}}}":             `settings:1: machine "cab-2": deadband 3 K leaves nothing between the limits -1 and 5 °C: product would never count as back; lower it`,
		"sites: {oakmill: {alerting: {priority: {at_most: low}}}}": `settings:1: machine "cab-2": priority at_least medium is above at_most low (from site oakmill); change one`,
	} {
		_, err := f.With(overrides(t, text), nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s:\n got %v\nwant %s", text, err, want)
		}
	}
	if s := f.Strangers(overrides(t, "sites: {nowhere: {limits: {dairy: {warm: 4}}}}\nmachines: {cab-1: {limits: {warm: 6}}, gone: {limits: {warm: 6}}}")); len(s) != 2 {
		t.Errorf("strangers are %v, want the site nowhere and the machine gone", s)
	}
}

func TestEditOverrides(t *testing.T) {
	o := overrides(t, overlay)
	cab := fleet.Scope{Level: fleet.OwnValue, Machine: "cab-1"}
	p, err := o.With(fleet.Edit{Scope: cab, Key: "limits.warm", Value: ""}, fleet.Edit{Scope: cab, Key: "alerting.on_delay.low", Value: " 90 min "})
	if err != nil {
		t.Fatal(err)
	}
	if d := fleet.Diff(o, p); len(d) != 2 || d[0] != (fleet.Difference{Scope: cab, Key: "limits.warm", From: "6"}) ||
		d[1] != (fleet.Difference{Scope: cab, Key: "alerting.on_delay.low", To: "1h30m"}) {
		t.Errorf("differences are %+v", d)
	}
	if string(o.YAML()) != overlay {
		t.Errorf("the overrides that were edited changed: %s", o.YAML())
	}
	for _, bad := range []fleet.Edit{
		{cab, "limits.warm", "warm: 3"}, {cab, "limits.warm", "6 °C"}, {cab, "limits.dairy.warm", "5"}, {cab, "opening_hours.mon", "closed"},
		{cab, "alerting.priority.at_least", "yes\nfleet: {}"}, {cab, "nothing", "5"}, {fleet.Scope{Level: fleet.OwnValue, Machine: "a b"}, "limits.warm", "5"},
	} {
		if _, err := o.With(bad); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// What is written is read back as it was, whatever is set.
func TestOverridesRoundTrip(t *testing.T) {
	values := map[string][]string{
		"warm": {"7", "6.25", "-0.5"}, "cold": {"-3", "-1.125"}, "deadband": {"0.5", "1"}, "false_alarms": {"0.1", "25"}, "at_least": {"low", "medium"},
		"at_most": {"high", "critical"}, "quiet_hours": {"none", "22:00-06:30", "00:00-05:00"}, "mon": {"closed", "06:00-22:00", "20:00-04:00, 08:00-12:00"},
	}
	rapid.Check(t, func(t *rapid.T) {
		scopes := []fleet.Scope{{Level: fleet.FleetDefault}, {Level: fleet.FleetKind, Kind: fleet.OpenFront}, {Level: fleet.SiteDefault, Site: "0042"},
			{Level: fleet.SiteDefault, Site: "null"}, {Level: fleet.SiteKind, Site: "a.b", Kind: fleet.GlassDoor}, {Level: fleet.OwnValue, Machine: "1e5"}, {Level: fleet.OwnValue, Machine: "no"}}
		var edits []fleet.Edit
		for range rapid.IntRange(0, 20).Draw(t, "edits") {
			scope := rapid.SampledFrom(scopes).Draw(t, "scope")
			s := rapid.SampledFrom(fleet.Settings).Draw(t, "setting")
			if !s.At(scope.Level) {
				continue
			}
			of, ok := values[s.Key[strings.LastIndex(s.Key, ".")+1:]]
			if !ok {
				of = []string{"0s", "1m30s", "5m", "30m"}
				if strings.HasPrefix(s.Key, "opening_hours.") {
					of = values["mon"]
				}
			}
			edits = append(edits, fleet.Edit{Scope: scope, Key: s.Key, Value: rapid.SampledFrom(of).Draw(t, "value")})
		}
		o, err := new(fleet.Overrides).With(edits...)
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range edits {
			last := e.Value
			for _, later := range edits[i+1:] {
				if later.Scope == e.Scope && later.Key == e.Key {
					last = later.Value
				}
			}
			if got := o.Values(e.Scope)[e.Key]; got != last {
				t.Fatalf("%s %s is %q, want %q", e.Scope, e.Key, got, last)
			}
		}
		again, err := fleet.ParseOverrides("settings", o.YAML())
		if err != nil {
			t.Fatalf("%v:\n%s", err, o.YAML())
		}
		if !bytes.Equal(again.YAML(), o.YAML()) || len(fleet.Diff(o, again)) > 0 {
			t.Fatalf("written again as\n%swas\n%s", again.YAML(), o.YAML())
		}
	})
}

func FuzzParseOverrides(f *testing.F) {
	f.Add([]byte(overlay))
	for _, name := range []string{"alerting.yaml", "alerting.bad.yaml"} {
		data, err := os.ReadFile("testdata/" + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := fleet.ParseOverrides("settings", data)
		if (o == nil) != (err != nil) {
			t.Fatalf("%v with error %v", o, err)
		}
		if err != nil {
			return
		}
		again, err := fleet.ParseOverrides("settings", o.YAML())
		if err != nil || !again.Equal(o) {
			t.Fatalf("%v: %q became\n%s", err, data, o.YAML())
		}
	})
}

func TestQuietHours(t *testing.T) {
	day := func(h, m int) time.Time { return time.Date(2026, 7, 3, h, m, 0, 0, time.UTC) }
	night, noon := &fleet.Quiet{From: 22 * 60, To: 6 * 60}, &fleet.Quiet{From: 12 * 60, To: 13*60 + 30}
	for _, c := range []struct {
		q     *fleet.Quiet
		at    time.Time
		until time.Time // the same: not quiet
	}{
		{night, day(21, 59), day(21, 59)}, {night, day(22, 0), day(30, 0)}, {night, day(3, 0), day(6, 0)}, {night, day(6, 0), day(6, 0)},
		{noon, day(12, 0), day(13, 30)}, {noon, day(13, 30), day(13, 30)}, {nil, day(3, 0), day(3, 0)}, {&fleet.Quiet{}, day(0, 0), day(0, 0)},
	} {
		end, quiet := c.q.Until(c.at)
		if !end.Equal(c.until) || quiet == c.at.Equal(c.until) {
			t.Errorf("at %s: quiet %v until %s, want %s", c.at, quiet, end, c.until)
		}
	}
}

func TestDelaysAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string]string{"10m": "10m", "10 min": "10m", "2 h 30 min": "2h30m", "90 s": "1m30s", "0": "0s", "6 hours": "6h", "1h0m30s": "1h0m30s"} {
		d, err := fleet.ParseDelay(text)
		if err != nil || fleet.Delay(d) != want {
			t.Errorf("%q is %q, %v; want %q", text, fleet.Delay(d), err, want)
		}
	}
	for _, text := range []string{"10", "-5m", "soon", "", "1.5ms"} {
		if d, err := fleet.ParseDelay(text); err == nil {
			t.Errorf("%q is taken for %s", text, d)
		}
	}
}

// Whatever may change what a model says makes two fleets differ for models; a row
// of the table that this test does not know fails it.
func TestSameForModels(t *testing.T) {
	f := parse(t, "alerting.yaml")
	models := map[string]bool{"limits": true, "deadband": true, "restock_delay": true, "false_alarms": true}
	people := map[string]bool{"on_delay": true, "off_delay": true, "priority": true, "quiet_hours": true, "opening_hours": true}
	values := map[string]string{"deadband": "1.5", "false_alarms": "3", "at_least": "low", "at_most": "critical", "quiet_hours": "20:00-04:00"}
	for i := range fleet.Settings {
		s := &fleet.Settings[i]
		scope := fleet.Scope{Level: fleet.OwnValue, Machine: "cab-1"}
		if !s.At(scope.Level) {
			scope = fleet.Scope{Level: fleet.SiteDefault, Site: "oakmill"}
		}
		parts := strings.Split(s.Key, ".")
		word, last := parts[min(1, len(parts)-1)], parts[len(parts)-1]
		if parts[0] != "alerting" {
			word = parts[0]
		}
		value, ok := values[last]
		switch {
		case ok:
		case word == "opening_hours":
			value = "01:00-02:00"
		case word == "limits" && last == "warm":
			value = "6.1"
		case word == "limits":
			value = "0.1"
		default:
			value = "25m"
			if last == "high" || last == "critical" {
				value = "1m"
			}
		}
		o, err := new(fleet.Overrides).With(fleet.Edit{Scope: scope, Key: s.Key, Value: value})
		if err != nil {
			t.Fatal(err)
		}
		g, err := f.With(o, nil)
		if err != nil {
			t.Fatalf("%s: %v", s.Key, err)
		}
		same := fleet.SameForModels(f, g)
		switch {
		case parts[0] == "limits" && len(parts) == 3 && parts[1] == "tcs-food": // nobody has it
		case models[word] && same:
			t.Errorf("%s makes no difference to models", s.Key)
		case people[word] && !same:
			t.Errorf("%s makes a difference to models", s.Key)
		case !models[word] && !people[word]:
			t.Errorf("%s: does it concern models? Say so here, and in SameForModels", s.Key)
		}
	}
	if g := parse(t, "inherit.yaml"); fleet.SameForModels(f, g) {
		t.Error("two fleets are one")
	}
}
