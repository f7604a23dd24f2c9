package notify

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/collector/racetest"
	"coilward/detect"
	"coilward/detect/fault"
)

func weekFleet() *fleet.Fleet {
	f := &fleet.Fleet{}
	for i := range 5 {
		s := &fleet.Site{ID: fmt.Sprintf("site-%d", i)}
		for j := range 12 {
			s.Machines = append(s.Machines, &fleet.Machine{ID: fmt.Sprintf("cab-%d%02d", i, j), Site: s.ID, LoadValue: 450})
		}
		f.Sites = append(f.Sites, s)
	}
	return f
}

func weekTeam(current func(string) (alerts.Alert, bool)) *Team {
	person := func(id string) Person {
		return Person{ID: id, Name: strings.ToUpper(id), TimeZone: "America/New_York", QuietFrom: 21 * 60, QuietTo: 6 * 60, SummaryAt: 6 * 60,
			Contacts: []Contact{{Channel: "chat", To: id}}}
	}
	return NewTeam(TeamOptions{Settings: &Settings{
		People: []Person{person("ana"), person("ben")},
		Rotas:  []Rota{{Name: "east", TimeZone: "America/New_York", Start: "2026-06-29", Handover: 8 * 60, People: []string{"ana", "ben"}}},
	}, BoardURL: "https://board.example.org", Current: current})
}

// TestWeek plays a week with a real fault that nobody answers at first, a site
// without power, a machine that flaps and a flood, and counts what each person was
// told against the figures of ISA-18.2 and EEMUA 191.
func TestWeek(t *testing.T) {
	if racetest.Enabled {
		t.Skip("one goroutine plays the week; it is played without the race detector")
	}
	start := time.Date(2026, 6, 29, 14, 0, 0, 0, time.UTC) // Monday, 10:00 in New York
	var script []detect.Finding
	n := 0
	raise := func(at time.Duration, site int, machine int, f fault.Fault, p float64, left time.Duration) detect.Finding {
		n++
		m := collector.MillisOf(start.Add(at))
		x := detect.Finding{ID: fmt.Sprintf("F-%06d", n), Machine: fmt.Sprintf("cab-%d%02d", site, machine), Site: fmt.Sprintf("site-%d", site),
			At: m, RaisedAt: m, Since: m, Fault: f, Probability: p, Candidates: []detect.Candidate{{Fault: f, Probability: p}}}
		if left > 0 {
			x.LimitAt, x.LimitSide = m.Add(left), detect.Warm
		}
		script = append(script, x)
		return x
	}
	change := func(x detect.Finding, at time.Duration, c detect.Change) {
		x.Seq, x.Change, x.At = x.Seq+1, c, collector.MillisOf(start.Add(at))
		script = append(script, x)
	}
	const day = 24 * time.Hour
	// Monday night: a fan stops, and ices the coil.
	fan := raise(14*time.Hour, 0, 1, fault.EvaporatorFanStopped, .95, 6*time.Hour)
	ice := raise(16*time.Hour, 0, 1, fault.CoilIced, .9, 3*time.Hour)
	change(ice, 19*time.Hour, detect.Cleared)
	change(fan, 19*time.Hour, detect.Cleared)
	// Tuesday: a site without power for two hours.
	for i := range 12 {
		x := raise(day+time.Hour+time.Duration(i*15)*time.Second, 1, i, fault.PowerLost, .95, 0)
		change(x, day+3*time.Hour, detect.Cleared)
	}
	// Wednesday: a machine flaps, forty times.
	for i := range 40 {
		at := 2*day + time.Duration(i)*25*time.Minute
		x := raise(at, 2, 3, fault.ThermostatStuckOff, .9, 5*time.Hour)
		change(x, at+5*time.Minute, detect.Cleared)
	}
	// Thursday: forty machines fail for reasons of their own within minutes.
	for i := range 40 {
		x := raise(3*day+time.Duration(i*7)*time.Second, i%5, i/5, fault.CompressorNotStarting, .9, 5*time.Hour)
		change(x, 3*day+8*time.Hour, detect.Cleared)
	}
	// All week: sensors that can wait.
	for i := range 5 {
		raise(time.Duration(i)*day+13*time.Hour, 3, i+9-4, fault.SensorFault, .99, 0)
	}
	slices.SortStableFunc(script, func(a, b detect.Finding) int { return int(a.At - b.At) })

	ctx, l, rec := t.Context(), newLedger(t), &record{}
	var desk *ledger.Desk
	team := weekTeam(func(id string) (alerts.Alert, bool) { return desk.Alert(id) })
	opened := map[string]alerts.Alert{}
	var err error
	desk, err = ledger.NewDesk(ctx, ledger.DeskOptions{Ledger: l, Queue: alerts.Options{Fleet: weekFleet()}, Tell: team.Tell, Changed: func(cs []alerts.Change) {
		for _, c := range cs {
			if c.Alert != nil {
				opened[c.Alert.ID] = *c.Alert
			}
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	now := start
	loop, err := NewLoop(LoopOptions{Outbox: l, Senders: map[string]Sender{"chat": rec}, Writer: team, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	told := map[string][]alerts.Told{}
	answer := map[string]time.Time{} // alert → when the person told takes it
	by := map[string]string{}
	for ; now.Before(start.Add(7 * day)); now = now.Add(time.Minute) {
		at := collector.MillisOf(now)
		for len(script) > 0 && script[0].At <= at {
			if _, err := desk.Apply(ctx, script[0]); err != nil {
				t.Fatal(err)
			}
			script = script[1:]
		}
		if _, err := desk.Advance(ctx, at); err != nil {
			t.Fatal(err)
		}
		open := desk.Alerts()
		if ms := append(team.Escalate(open, now), team.Summary(open, now)...); len(ms) > 0 {
			if err := l.Put(ctx, ms...); err != nil {
				t.Fatal(err)
			}
		}
		if err := loop.pass(ctx, "chat"); err != nil {
			t.Fatal(err)
		}
		for _, m := range rec.got {
			m.Sent = now
			told[m.Person] = append(told[m.Person], ToldOf(m))
			if asleep := m.Person == "ana" && now.Sub(start) < 20*time.Hour; m.Alert != "" && !asleep && answer[m.Alert].IsZero() {
				answer[m.Alert], by[m.Alert] = now.Add(10*time.Minute), m.Person
			}
			if isFold(m.Key) { // who reads it takes everything in it at the board
				for _, a := range open {
					if a.State == alerts.Unacknowledged && answer[a.ID].IsZero() {
						answer[a.ID], by[a.ID] = now.Add(20*time.Minute), m.Person
					}
				}
			}
		}
		for _, m := range rec.got {
			t.Logf("%s %s: %s", now.Sub(start), m.Person, m.Subject)
		}
		rec.got = nil
		for id, when := range answer {
			if !when.IsZero() && !now.Before(when) {
				_, _ = desk.Do(ctx, // refused where it has returned meanwhile
					id, alerts.Order{Verb: alerts.Acknowledge, By: alerts.Actor{Role: alerts.Tech, Name: by[id]}, At: at})
				delete(answer, id)
			}
		}
	}

	count := func(pick func(alerts.Alert) bool) (n int) {
		for _, a := range opened {
			if pick(a) {
				n++
			}
		}
		return n
	}
	if n := count(func(a alerts.Alert) bool { return a.Cause == alerts.SitePower }); n != 1 {
		t.Errorf("%d alerts for a site without power, want 1", n)
	}
	if n := count(func(a alerts.Alert) bool { return a.Site == "site-1" && a.Fault == fault.PowerLost }); n != 1 {
		t.Errorf("%d alerts at the site without power, want 1", n)
	}
	if n := count(func(a alerts.Alert) bool { return a.Machine == "cab-001" && a.Fault != fault.CompressorNotStarting }); n != 1 {
		t.Errorf("%d alerts for a fan that iced its coil, want 1", n)
	}
	if n := count(func(a alerts.Alert) bool { return a.Machine == "cab-203" }); n > 2 { // one more for the flood's
		t.Errorf("%d alerts for one machine that flaps, want 1", n)
	}
	if n := count(func(a alerts.Alert) bool { return a.Machine == "cab-203" && a.ID == "A-F-000015" }); n != 1 {
		t.Errorf("the flapping machine's first alert is not its only one")
	}
	if len(told["ben"]) == 0 {
		t.Error("nobody acknowledged on Monday night, and ben was not asked")
	}
	for _, who := range []string{"ana", "ben"} {
		load := alerts.MeasureLoad(told[who], start, start.Add(7*day))
		t.Logf("%s: %d messages, %.3f in 10 min, busiest %d, most in 12 h %d, floods %d", who, load.Messages, load.PerTenMin, load.Busiest, load.Shift, load.Floods)
		if load.PerTenMin > alerts.LoadAcceptable || load.Floods > 0 || load.Busiest > alerts.FloodBegins {
			t.Errorf("%s: %+v is more than the standard accepts", who, load)
		}
		if load.Incidents > alerts.ShiftMost {
			t.Errorf("%s was asked to deal with %d things in 12 h, want %d at most", who, load.Incidents, alerts.ShiftMost)
		}
		if load.Shift > 5 {
			t.Errorf("%s was sent %d messages in 12 h", who, load.Shift)
		}
		if load.Messages > 25 {
			t.Errorf("%s was sent %d messages in a week of one real fault, one outage, one flapping machine and one flood", who, load.Messages)
		}
		for i := range 7 {
			from := start.Add(time.Duration(i) * day)
			if d := alerts.MeasureLoad(told[who], from, from.Add(day)); d.Messages > 6 {
				t.Errorf("%s was sent %d messages on day %d", who, d.Messages, i)
			}
		}
		for _, m := range told[who] {
			if local := m.At.In(time.FixedZone("EDT", -4*3600)); m.Priority < alerts.High && (local.Hour() >= 21 || local.Hour() < 6) {
				t.Errorf("%s was woken at %s for %s", who, local, m.Priority)
			}
		}
	}
	all, err := l.MessagesOf(ctx, "A-F-000001")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range all {
		t.Logf("%s %s %s: %s", m.Made.Sub(start), m.Person, m.State, m.Subject)
	}
}
