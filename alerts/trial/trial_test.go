package trial

import (
	"context"
	"errors"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// day is when the invented days begin.
const day collector.Millis = 1_782_864_000_000

func at(hours float64) collector.Millis {
	return day.Add(time.Duration(hours * float64(time.Hour)))
}

// stood is an episode of one machine.
func stood(machine string, from, to float64, f fault.Fault) *Episode {
	return &Episode{Machines: []string{machine}, Fault: f, From: at(from), To: at(to), Priority: alerts.High}
}

func TestCompare(t *testing.T) {
	const fan, iced = fault.EvaporatorFanStopped, fault.CoilIced
	for _, c := range []struct {
		name      string
		now, with []*Episode
		same      int
		kinds     []Kind
	}{
		{"the same", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 1, 5, fan)}, 1, nil},
		{"another machine", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("b", 1, 5, fan)}, 0, []Kind{Gone, Added}},
		{"another time", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 6, 7, fan)}, 0, []Kind{Gone, Added}},
		{"later", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 2, 5, fan)}, 0, []Kind{Later}},
		{"earlier", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 0.5, 5, iced)}, 0, []Kind{Earlier}},
		{"another fault", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 1, 5, iced)}, 0, []Kind{Other}},
		{"another end", []*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 1, 6, fan)}, 0, []Kind{Other}},
		{"the same fault goes before the longer time together", []*Episode{stood("a", 1, 9, fan)},
			[]*Episode{stood("a", 1, 8, iced), stood("a", 7, 9, fan)}, 0, []Kind{Later, Added}},
		{"one of two", []*Episode{stood("a", 1, 3, fan), stood("a", 4, 6, fan)}, []*Episode{stood("a", 2, 6, fan)}, 0, []Kind{Gone, Earlier}},
	} {
		same, differ := Compare(c.now, c.with)
		kinds := map[Kind]int{}
		for _, d := range differ {
			kinds[d.Kind]++
			if (d.Now == nil) != (d.Kind == Added) || (d.With == nil) != (d.Kind == Gone) {
				t.Errorf("%s: %v of %v and %v", c.name, d.Kind, d.Now, d.With)
			}
		}
		for _, k := range c.kinds {
			kinds[k]--
		}
		for k, n := range kinds {
			if n != 0 {
				t.Errorf("%s: %+d %v", c.name, n, k)
			}
		}
		if same != c.same {
			t.Errorf("%s: %d the same, want %d", c.name, same, c.same)
		}
	}
	_, differ := Compare([]*Episode{stood("a", 1, 5, fan)}, []*Episode{stood("a", 0.5, 5, fan)})
	if got := differ[0].Shift(); got != -30*time.Minute {
		t.Errorf("earlier by %v, want -30m", got)
	}
}

// finding is a change of a finding of one machine.
func finding(id, machine string, hours float64, change detect.Change, seq int) detect.Finding {
	return detect.Finding{ID: id, Seq: seq, Machine: machine, Site: "oakmill", Change: change, At: at(hours), RaisedAt: at(hours),
		Fault: fault.CompressorWeak, Probability: 0.97, Candidates: []detect.Candidate{{Fault: fault.CompressorWeak, Probability: 0.97}},
		HasProduct: true, ProductTemperature: 4, LimitAt: at(hours + 3)}
}

// queued gives findings to a real alert queue and its changes to take.
func queued(take Take, delays alerts.Delays, until collector.Millis, findings ...detect.Finding) error {
	q := alerts.New(alerts.Options{Delays: delays})
	give := func(changes []alerts.Change) error {
		for i := range changes {
			if err := take(&changes[i]); err != nil {
				return err
			}
		}
		return nil
	}
	for _, f := range findings {
		if err := give(q.Apply(f)); err != nil {
			return err
		}
	}
	return give(q.Advance(until))
}

// A longer on-delay tells later, and not at all of what is over by then; alerts
// from before the trial and of other machines do not count.
func TestRun(t *testing.T) {
	findings := []detect.Finding{
		finding("F-1", "cab-before", 2, detect.Raised, 0), finding("F-1", "cab-before", 5, detect.Cleared, 1),
		finding("F-2", "cab-short", 25, detect.Raised, 0), finding("F-2", "cab-short", 25.5, detect.Cleared, 1),
		finding("F-3", "cab-long", 26, detect.Raised, 0),
		finding("F-4", "cab-other", 27, detect.Raised, 0), finding("F-4", "cab-other", 27.5, detect.Cleared, 1),
	}
	slow := alerts.DefaultDelays()
	for p := range slow.On {
		slow.On[p] += time.Hour
	}
	told := func(c alerts.Change) []Told {
		if c.Kind != alerts.Opened {
			return nil
		}
		return []Told{{"ana", alerts.Told{At: c.At.Time(), Alert: c.Alert.ID, Priority: c.Alert.Priority}}}
	}
	o := Options{
		From: at(24), To: at(48), Machines: []string{"cab-before", "cab-short", "cab-long"}, ToldNow: told, ToldWith: told,
		Visits: []Visit{{"cab-short", at(30), true, fault.CompressorWeak}, {"cab-long", at(30), false, fault.Well}, {"cab-other", at(30), true, fault.CompressorWeak},
			{"cab-before", at(23), true, fault.CompressorWeak}},
		Play: func(_ context.Context, takes []Take) error {
			return errors.Join(queued(takes[0], alerts.Delays{}, at(48), findings...), queued(takes[1], slow, at(48), findings...))
		},
	}
	r, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if r.Now.Alerts != 2 || r.With.Alerts != 1 || r.Now.Standing != 0 || len(r.Differ) != 2 {
		t.Fatalf("now %+v, with %+v, %d differ; want 2 alerts, 1, and both to differ", r.Now, r.With, len(r.Differ))
	}
	if d := r.Differ[0]; d.Kind != Gone || d.Now.Machines[0] != "cab-short" {
		t.Errorf("first %v of %v, want cab-short gone", d.Kind, d.Now)
	}
	if d := r.Differ[1]; d.Kind != Later || d.Shift() != time.Hour || !d.With.Open {
		t.Errorf("second %v by %v, want one hour later", d.Kind, d.Shift())
	}
	if len(r.People) != 1 || r.People[0].Now.Messages != 2 || r.People[0].With.Messages != 1 || PerDay(r.People[0].Now) != 2 {
		t.Errorf("people %+v, want ana told twice, and once", r.People)
	}
	// Of the visits only those in these days and at these machines count.
	if len(r.Visits) != 2 || !r.Visits[1].Missed() || r.Visits[1].Machine != "cab-short" || r.Visits[0].Missed() || r.Visits[0].With == nil {
		t.Errorf("visits %+v, want what was found at cab-short to be missed", r.Visits)
	}
	// 2 alerts of 3 machines in one day.
	if got, want := r.PerMachineYear(r.Now.Alerts), 2.0/3*365.25; got < want-1e-9 || got > want+1e-9 {
		t.Errorf("%g alerts a machine and year, want %g", got, want)
	}
}

// One message in ten minutes is 144 a day, two are 288 (arithmetic on the figures
// of ISA-18.2 and EEMUA 191, themselves from memory).
func TestFiguresADay(t *testing.T) {
	if AcceptableADay != 144 || ManageableADay != 288 {
		t.Errorf("%d and %d a day, want 144 and 288", AcceptableADay, ManageableADay)
	}
	told := func(n int, every time.Duration) (out []alerts.Told) {
		for i := range n {
			out = append(out, alerts.Told{At: day.Time().Add(time.Duration(i) * every)})
		}
		return out
	}
	for _, c := range []struct {
		n     int
		every time.Duration
		want  string
	}{
		{2, time.Hour, "within the figures"},
		{3, time.Hour, "more than 2 in a shift of 12 h"},
		{145, 9 * time.Minute, "manageable at most"},
		{289, 4 * time.Minute, "more than can be managed"},
		{12, 10 * time.Second, "flood: more than 10 in 10 min"},
	} {
		if got := Verdict(alerts.MeasureLoad(told(c.n, c.every), day.Time(), at(24).Time())); got != c.want {
			t.Errorf("%d every %v: %s, want %s", c.n, c.every, got, c.want)
		}
	}
}
