package settings_test

import (
	"bytes"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"coilward/alerts/ledger"
	"coilward/alerts/settings"
	"coilward/collector/fleet"
	"coilward/detect/sensitivity"
)

const file = `sites:
  - id: oakmill
    timezone: America/New_York
    machines:
      - {id: cab-1, kind: glass-door, product: sealed-beverage}
      - {id: cab-2, kind: open-front, product: dairy, setpoint: 3, differential: 3}
  - id: tarn
    timezone: Europe/Berlin
    machines:
      - {id: cab-3, kind: glass-door, product: sealed-beverage}
`

func fleetFile(t testing.TB) *fleet.Fleet {
	t.Helper()
	f, err := fleet.Parse("fleet.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func book(t *testing.T) (*settings.Book, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.sqlite")
	l, err := ledger.Open(t.Context(), ledger.Options{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return settings.NewBook(l), path
}

func state(t interface{ Fatal(...any) }, text string) *fleet.Overrides {
	o, err := fleet.ParseOverrides("settings", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

var monday = time.Date(2026, 7, 6, 9, 0, 0, 0, time.UTC)

// warm returns the warm limit of a machine as it is in effect at a time.
func warm(t *testing.T, b *settings.Book, machine string, at time.Time) float64 {
	t.Helper()
	e, err := b.Effect(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	f, err := e.At(fleetFile(t))
	if err != nil {
		t.Fatal(err)
	}
	m, _ := f.Machine(machine)
	return float64(m.Limits.Warm)
}

func limit(t *testing.T, c string) *fleet.Overrides {
	return state(t, "fleet: {limits: {sealed-beverage: {warm: "+c+"}}}")
}

// What is set can be taken back, and then everything is as it was, to the byte.
func TestUndoReturnsTheExactState(t *testing.T) {
	b, _ := book(t)
	f := fleetFile(t)
	states := []string{"fleet: {limits: {sealed-beverage: {warm: 6.5}}}", "sites: {oakmill: {opening_hours: {mon-fri: 06:00-22:00}, alerting: {off_delay: 20 min}}}", "machines: {cab-2: {alerting: {priority: {at_least: high}}}}"}
	var was [][]byte
	for i, s := range states {
		at := monday.Add(time.Duration(i) * time.Hour)
		e, err := b.Effect(t.Context(), at)
		if err != nil {
			t.Fatal(err)
		}
		was = append(was, e.All.YAML())
		if _, err := b.Save(t.Context(), f, settings.Change{Who: "Ana", Why: "test", Base: e.Number, State: state(t, s)}, at); err != nil {
			t.Fatal(err)
		}
		if e, _ = b.Effect(t.Context(), at); !bytes.Equal(e.All.YAML(), state(t, s).YAML()) || e.Number != i+1 {
			t.Fatalf("version %d in effect:\n%s", e.Number, e.All.YAML())
		}
	}
	now := monday.Add(5 * time.Hour)
	for n := len(states); n > 0; n-- {
		v, err := b.Undo(t.Context(), f, n, "Ben", "it was better before", now)
		if err != nil {
			t.Fatal(err)
		}
		e, err := b.Effect(t.Context(), now)
		if err != nil || !bytes.Equal(e.All.YAML(), was[n-1]) || v.Undoes != n {
			t.Errorf("after taking back %d: %v\n%swant\n%s", n, err, e.All.YAML(), was[n-1])
		}
	}
	if _, err := b.Undo(t.Context(), f, 1, "Ben", "again", now); err == nil {
		t.Error("what is taken back is taken back once more")
	}
	// And the taking back can be taken back.
	if _, err := b.Undo(t.Context(), f, 6, "Ana", "no, it was not", now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := warm(t, b, "cab-1", now.Add(time.Hour)); got != 6.5 {
		t.Errorf("warm limit %g, want 6.5", got)
	}
	entries, err := b.Entries(t.Context(), now.Add(time.Hour))
	if err != nil || len(entries) != 7 || entries[0].Phase != settings.InEffect || entries[6].Phase != settings.Replaced || len(entries[6].Changes) != 1 ||
		entries[6].TakenBack != 6 || entries[1].TakenBack != 7 || entries[1].CanUndo || !entries[0].CanUndo || !entries[6].CanUndo || entries[0].TakenBack != 0 ||
		entries[6].Who != "Ana" || entries[6].Why != "test" || entries[6].Changes[0].To != "6.5" {
		t.Errorf("entries %+v, %v", entries, err)
	}
}

// A change comes into effect at its time, whether or not anybody was running, and
// not once it was taken back.
func TestScheduled(t *testing.T) {
	b, _ := book(t)
	f := fleetFile(t)
	at := monday.Add(30 * time.Hour)
	v, err := b.Save(t.Context(), f, settings.Change{Who: "Ana", Why: "summer", State: limit(t, "6"), ApplyAt: at}, monday)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at   time.Time
		want float64
	}{{monday, 7}, {at.Add(-time.Second), 7}, {at, 6}, {at.Add(1000 * time.Hour), 6}} {
		if got := warm(t, b, "cab-1", c.at); got != c.want {
			t.Errorf("at %s: %g, want %g", c.at, got, c.want)
		}
	}
	e, _ := b.Effect(t.Context(), monday)
	if e.Pending == nil || e.Pending.Number != v.Number || e.Phase != settings.Waiting || !e.Until.Equal(at) {
		t.Errorf("pending %+v %s until %s", e.Pending, e.Phase, e.Until)
	}
	if _, err := b.Save(t.Context(), f, settings.Change{Who: "Ben", Why: "me too", State: limit(t, "5")}, monday.Add(time.Hour)); !errors.Is(err, settings.ErrPending) {
		t.Errorf("a second change beside one that waits: %v", err)
	}
	if _, err := b.Undo(t.Context(), f, v.Number, "Ana", "no", monday.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := warm(t, b, "cab-1", at.Add(time.Hour)); got != 7 {
		t.Errorf("taken back before its time, it comes into effect all the same: %g", got)
	}
	if _, err := b.Save(t.Context(), f, settings.Change{Who: "Ben", Why: "too late", Base: 2, State: limit(t, "5"), ApplyAt: monday}, monday.Add(3*time.Hour)); err == nil {
		t.Error("a time in the past is taken")
	}
}

// One site tries a change for a week; then all have it, by themselves or on a word.
func TestPilotSite(t *testing.T) {
	for _, ask := range []bool{false, true} {
		b, _ := book(t)
		f := fleetFile(t)
		v, err := b.Save(t.Context(), f, settings.Change{Who: "Ana", Why: "quieter", State: limit(t, "6"), Pilot: "tarn", Ask: ask}, monday)
		if err != nil {
			t.Fatal(err)
		}
		week := monday.Add(7 * 24 * time.Hour)
		for _, c := range []struct {
			at         time.Time
			tarn, rest float64
		}{{monday, 6, 7}, {week.Add(-time.Second), 6, 7}, {week, 6, map[bool]float64{false: 6, true: 7}[ask]}} {
			if here, there := warm(t, b, "cab-3", c.at), warm(t, b, "cab-1", c.at); here != c.tarn || there != c.rest {
				t.Errorf("ask %v, at %s: %g at the site and %g elsewhere, want %g and %g", ask, c.at, here, there, c.tarn, c.rest)
			}
		}
		if !ask {
			continue
		}
		if _, err := b.Confirm(t.Context(), v.Number, "Ben", "the site is happy", week.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		if before, after := warm(t, b, "cab-1", week), warm(t, b, "cab-1", week.Add(time.Hour)); before != 7 || after != 6 {
			t.Errorf("before the word %g, after it %g; want 7 and 6", before, after)
		}
		if _, err := b.Confirm(t.Context(), v.Number, "Ben", "again", week.Add(2*time.Hour)); err == nil {
			t.Error("a word is taken twice")
		}
		// Taken back, the site too has what was before.
		if _, err := b.Undo(t.Context(), f, v.Number, "Ana", "no", week.Add(3*time.Hour)); err != nil {
			t.Fatal(err)
		}
		if here := warm(t, b, "cab-3", week.Add(3*time.Hour)); here != 7 {
			t.Errorf("taken back: %g, want 7", here)
		}
	}
}

func TestRefused(t *testing.T) {
	b, _ := book(t)
	f := fleetFile(t)
	for _, c := range []struct {
		change settings.Change
		want   string
	}{
		{settings.Change{Why: "x", State: limit(t, "6")}, "who changes"},
		{settings.Change{Who: "Ana", Why: " ", State: limit(t, "6")}, "why"},
		{settings.Change{Who: "Ana", Why: "x", State: limit(t, "-5")}, "not below the warm limit"},
		{settings.Change{Who: "Ana", Why: "x", State: state(t, "{}")}, "nothing is changed"},
		{settings.Change{Who: "Ana", Why: "x", State: limit(t, "6"), Base: 3}, "meanwhile"},
		{settings.Change{Who: "Ana", Why: "x", State: limit(t, "6"), Pilot: "nowhere"}, "no site"},
		{settings.Change{Who: "Ana", Why: "x", State: state(t, "machines: {gone: {limits: {warm: 6}}}")}, "not in the fleet file"},
	} {
		if _, err := b.Save(t.Context(), f, c.change, monday); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.change, err, c.want)
		}
	}
	if all, err := b.Versions(t.Context()); err != nil || len(all) != 0 {
		t.Errorf("%d versions, %v", len(all), err)
	}
}

// Two who change the same settings at once do not undo each other's work.
func TestTwoAtOnce(t *testing.T) {
	b, path := book(t)
	l, err := ledger.Open(t.Context(), ledger.Options{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	other := settings.NewBook(l)
	f := fleetFile(t)
	if _, err := other.Save(t.Context(), f, settings.Change{Who: "Ben", Why: "first", State: limit(t, "6")}, monday); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Save(t.Context(), f, settings.Change{Who: "Ana", Why: "second", State: limit(t, "5")}, monday); err == nil {
		t.Error("a change that was made on an old version is taken")
	}
}

// Whatever is saved, taken back and confirmed: taking back the newest change leads
// to what was in effect before it.
func TestUndoIsInverse(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := settings.NewBook(&memory{})
		f := fleetFile(t)
		now := monday
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(1, 300).Draw(rt, "hours")) * time.Hour)
			before, err := b.Effect(t.Context(), now)
			if err != nil {
				rt.Fatal(err)
			}
			c := settings.Change{Who: "Ana", Why: "x", Base: before.Number, State: state(rt, "fleet: {limits: {sealed-beverage: {warm: "+rapid.SampledFrom([]string{"5", "6", "8"}).Draw(rt, "warm")+"}}}")}
			switch rapid.IntRange(0, 3).Draw(rt, "how") {
			case 0:
				c.ApplyAt = now.Add(50 * time.Hour)
			case 1:
				c.Pilot = "tarn"
			case 2:
				c.Pilot, c.Ask = "tarn", true
			}
			v, err := b.Save(t.Context(), f, c, now)
			if err != nil {
				continue // nothing changed, or one is pending
			}
			if rapid.Bool().Draw(rt, "undo") {
				later := now.Add(time.Duration(rapid.IntRange(0, 200).Draw(rt, "later")) * time.Hour)
				if _, err := b.Undo(t.Context(), f, v.Number, "Ben", "back", later); err != nil {
					rt.Fatal(err)
				}
				for _, at := range []time.Time{later, later.Add(1000 * time.Hour)} {
					e, err := b.Effect(t.Context(), at)
					if err != nil || !e.All.Equal(before.All) || e.Pending != nil {
						rt.Fatalf("%v: back to\n%s pending %v, want\n%s", err, e.All.YAML(), e.Pending, before.All.YAML())
					}
				}
				now = later
			}
		}
	})
}

// Times at which product passes its limit in a cabinet that is no longer cooled:
// closed form of two nodes, UA 5 W/K, 25 W/K between air and product, 30 and 600
// kJ/K, from 3 °C in 24 °C (computed apart: 264.75 min to 5 °C, 570.42 min to
// 7.2 °C).
func TestTimeLeft(t *testing.T) {
	for limit, want := range map[float64]float64{5: 264.75, 7.2: 570.42} {
		d, ok := settings.TimeLeft(3, 24, limit)
		if !ok || math.Abs(d.Minutes()-want) > 0.01 {
			t.Errorf("to %g °C after %.2f min, want %.2f", limit, d.Minutes(), want)
		}
	}
	if _, ok := settings.TimeLeft(3, 4, 5); ok {
		t.Error("product passes 5 °C in a room of 4 °C")
	}
}

func TestAdvice(t *testing.T) {
	f := fleetFile(t)
	for _, c := range []struct{ text, want string }{
		{"fleet: {limits: {sealed-beverage: {warm: 4}}}", "cab-1, cab-3: limits of -1 °C and 4 °C lie within the band"},
		{"fleet: {limits: {dairy: {warm: 6}}}", "cab-2: a warm limit of 6 °C is above the 5 °C of FDA"},
		{"fleet: {limits: {dairy: {warm: 4}}}", "cab-2: its thermostat lets the air swing from 1.5 °C to 4.5 °C"},
		{"fleet: {alerting: {on_delay: {high: 2h}}}", "cab-2: an on-delay of 2 h for high: when cooling stops, product at 3 °C in a room of 24 °C passes 5 °C after about 4 h"},
		{"fleet: {alerting: {restock_delay: 4h}}", "cab-2: an on-delay of 4 h after a restock is all of the 4 h"},
		{"fleet: {alerting: {on_delay: {medium: 50m}}}", "cab-1, cab-2, cab-3: an on-delay of 50 min for medium is longer than the 30 min for low (built in)"},
		{"fleet: {alerting: {on_delay: {low: 5m}}}", "cab-1, cab-2, cab-3: an on-delay of 10 min for medium (built in) is longer than the 5 min for low"},
		{"machines: {cab-1: {alerting: {off_delay: 1m}}}", "cab-1: an off-delay of 1 min is shorter"},
		{"fleet: {alerting: {priority: {at_most: medium}}}", "cab-2: dairy is kept from becoming more urgent than medium"},
		{"fleet: {alerting: {false_alarms: 0.01}}", "cab-1, cab-2, cab-3: wanted false alarms of 0.01"},
		{"machines: {gone: {limits: {warm: 6}}}", "what is set for machine gone does nothing"},
	} {
		o := state(t, c.text)
		g, err := f.With(o, nil)
		if err != nil {
			t.Fatal(err)
		}
		var all []string
		found := false
		for _, a := range settings.Advise(g, o, sensitivity.Measured()) {
			all = append(all, a.String())
			found = found || strings.HasPrefix(a.String(), c.want)
		}
		if !found {
			t.Errorf("%s: %q, want %q", c.text, all, c.want)
		}
	}
	if a := settings.Advise(f, nil, sensitivity.Measured()); len(a) != 0 {
		t.Errorf("advice about what is built in: %v", a)
	}
}

// Everything that can be set says what it is where nobody set it.
func TestBuiltIn(t *testing.T) {
	want := map[string]string{"limits.dairy.warm": "5", "limits.sealed-beverage.cold": "-1", "alerting.on_delay.medium": "10m", "alerting.off_delay": "15m",
		"alerting.restock_delay": "6h", "alerting.quiet_hours": "none"}
	for i := range fleet.Settings {
		row := &fleet.Settings[i]
		got := settings.BuiltIn(row, sensitivity.Measured(), 0.93)
		if w, ok := want[row.Key]; got == "" || ok && got != w {
			t.Errorf("%s is %q, want %q", row.Key, got, w)
		}
	}
}
