package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// TestAlertLoad writes a day into a ledger and reads the figures of the standard off
// it: a finding that chatters and an alert that does not, what each person was told.
func TestAlertLoad(t *testing.T) {
	conf, _ := messageRig(t, 200)
	c, err := readConfig(conf)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	l, err := openLedger(ctx, c.DataDir)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	start := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	at := func(d time.Duration) collector.Millis { return collector.MillisOf(start.Add(d)) }
	desk, err := ledger.NewDesk(ctx, ledger.DeskOptions{Ledger: l, Queue: alerts.Options{}, Tell: func(c alerts.Change) []ledger.Message {
		if c.Kind != alerts.Opened {
			return nil
		}
		var out []ledger.Message
		for _, channel := range []string{"chat", "email"} { // one message, over two ways
			out = append(out, ledger.Message{Key: c.Alert.ID + "/x/ana/" + channel + "/1", Alert: c.Alert.ID, Person: "ana", Channel: channel, To: "a", Priority: c.Alert.Priority,
				Made: c.At.Time(), Due: c.At.Time()})
		}
		return out
	}})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	raise := func(machine string, f fault.Fault, from, to time.Duration) {
		n++
		x := detect.Finding{ID: string(rune('A' + n)), Machine: machine, Site: "s", At: at(from), RaisedAt: at(from), Since: at(from), Fault: f, Probability: .95,
			Candidates: []detect.Candidate{{Fault: f, Probability: .95}}, LimitAt: at(from + 4*time.Hour), LimitSide: detect.Warm}
		for _, change := range []struct {
			c detect.Change
			d time.Duration
		}{{detect.Raised, from}, {detect.Cleared, to}} {
			x.Change, x.At = change.c, at(change.d)
			if _, err := desk.Apply(ctx, x); err != nil {
				t.Fatal(err)
			}
			x.Seq++
		}
	}
	for i := range 3 { // it comes and goes, and is one alert
		raise("m1", fault.CompressorNotStarting, time.Duration(i)*20*time.Minute, time.Duration(i)*20*time.Minute+time.Second)
	}
	raise("m2", fault.DoorLeak, 2*time.Hour, 6*time.Hour)
	if _, err := desk.Advance(ctx, at(20*time.Hour)); err != nil {
		t.Fatal(err)
	}
	due, err := l.Due(ctx, "chat", start.Add(48*time.Hour), 100)
	if err != nil {
		t.Fatal(err)
	}
	mail, err := l.Due(ctx, "email", start.Add(48*time.Hour), 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range append(due, mail...) {
		if err := l.Sent(ctx, m.Key, m.Made); err != nil {
			t.Fatal(err)
		}
	}
	status, out, errs := type2("alert-load", "--config", conf, "--days", "1", "--to", start.Add(24*time.Hour).Format(time.RFC3339), "--json")
	var r alertLoad
	if err := json.Unmarshal([]byte(out), &r); status != statusOK || err != nil {
		t.Fatalf("%d %v\n%s%s", status, err, out, errs)
	}
	if len(r.People) != 1 || r.People[0].Name != "ana" || r.People[0].Messages != len(due) || r.People[0].Incidents != len(due) {
		t.Errorf("people %+v, want %d messages", r.People, len(due))
	}
	if r.Opened != 2 || r.Alerts.Activations != 2 || len(r.Alerts.Chattering)+len(r.Alerts.Fleeting) != 0 {
		t.Errorf("%d opened, %+v", r.Opened, r.Alerts)
	}
	if r.Findings.Activations != 3 || r.Findings.Frequent[0].Name != "m1 compressor-not-starting" {
		t.Errorf("findings %+v", r.Findings)
	}
	status, out, _ = type2("alert-load", "--config", conf, "--days", "1", "--to", start.Add(24*time.Hour).Format(time.RFC3339))
	for _, want := range []string{"ana", "within the figures", "chattering", "figure: under 5"} {
		if status != statusOK || !strings.Contains(out, want) {
			t.Errorf("%d: %q is not in\n%s", status, want, out)
		}
	}
}
