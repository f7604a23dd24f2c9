package board

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"strings"
	"time"

	"coilward/alerts"
	"coilward/alerts/trial"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect/fault"
)

// trialView is a trial under way, or what it found.
type trialView struct {
	ID, What, Cancel string
	Changes          []changeLine
	Running          bool
	Percent          string // of the bar, 0 to 100
	Says             string // how it stands, in a sentence
	Err              string
	Sum              string // the result in a sentence
	Stretch, Begins  string
	Figures          []trialFigure
	People           []trialPerson
	Standard         string
	Visits           []trialVisit
	VisitSum         string
	Same             string
	Differ           []trialDifference
	More             int // differences that are not listed
	Suggestion       *suggestionView
}

// trialFigure is a row with the figure now and with the change.
type trialFigure struct{ Name, Now, With, Class string }

type trialPerson struct{ Name, Now, With, ShiftNow, ShiftWith, VerdictNow, VerdictWith string }

type trialDifference struct {
	When, Words, Details, Kind string
	Machines                   []machineLink
}

type machineLink struct{ Name, URL string }

type trialVisit struct {
	When, Found, Said string
	Machine           machineLink
	Missed            bool
}

// suggestionView is what a search for a setting found.
type suggestionView struct {
	Says, Sure, Basis, Use string
	Rows                   []suggestionRow // the best, and what is better in something
	Others                 []suggestionRow
}

type suggestionRow struct {
	Wanted, Delays, Rate, Missed, Later string
	Best                                bool
}

// mostDifferences are listed on a page; the command line lists all.
const mostDifferences = 300

func (b *Board) trialData(_ context.Context, r Reader, id string) (any, error) {
	run, ok := b.trials.Run(id)
	if !ok {
		return nil, errGone
	}
	file, _ := b.settings.InUse()
	home, o := b.homeZone(), &run.Order
	out := trialView{ID: id, What: b.tried(&run, file), Changes: b.changeLines(r, file, fleet.Diff(o.InUse, o.State), o.InUse, o.State), Cancel: "/trials/" + id + "/cancel", Err: run.Err}
	switch {
	case run.Ended.IsZero():
		out.Running = true
		out.Percent = fmt.Sprintf("%.1f", 100*run.Done)
		out.Says = percent(run.Done) + " replayed"
		if run.Left > 0 {
			out.Says += ", about " + span(run.Left) + " left"
		}
		if run.Left > 0 && run.Left < time.Minute {
			out.Says = percent(run.Done) + " replayed, less than a minute left"
		}
	case run.Canceled:
		out.Says = "Cancelled " + r.day(run.Ended, home) + ". Nothing was changed."
	case run.Result != nil:
		b.trialResult(&out, &run, r, home)
	}
	return out, nil
}

// tried says what a trial is of.
func (b *Board) tried(run *TrialRun, file *fleet.Fleet) string {
	what := "all machines"
	var parts []string
	for _, id := range run.Order.Sites {
		parts = append(parts, b.scopeTitle(file, fleet.Scope{Level: fleet.SiteDefault, Site: id}))
	}
	parts = append(parts, run.Order.Machines...)
	switch n := len(parts); {
	case n > 4:
		what = strings.Join(parts[:3], ", ") + " and " + itoa(n-3) + " more"
	case n > 0:
		what = strings.Join(parts, ", ")
	}
	if run.Order.Influx {
		what += ", on the copy in InfluxDB"
	}
	return count(run.Order.Days, "day", "days") + ", " + what
}

func (b *Board) trialResult(out *trialView, run *TrialRun, r Reader, home *time.Location) {
	res := run.Result
	from, to := instantOf(res.From), instantOf(res.To)
	out.Stretch = r.day(from, home) + " to " + r.day(to, home) + ", " + count(res.Machines, "machine", "machines")
	if stored := to.Sub(from); stored < time.Duration(run.Order.Days)*24*time.Hour-time.Hour {
		out.Stretch += "; no older readings of them are stored"
	}
	begins := trial.Begins{Models: collector.MillisOf(instantOr(res.Models)), Learned: collector.MillisOf(instantOr(res.Learned)), Why: res.WhyLearned}
	if res.Models != nil || res.Learned != nil {
		out.Begins = begins.Words(func(m collector.Millis) string { return r.day(m.Time(), home) })
	}
	out.Sum = fmt.Sprintf("With the change %s, now %d.", count(res.With.Alerts, "alert", "alerts"), res.Now.Alerts)
	figure := func(name string, a, b float64, digits int, class string) {
		out.Figures = append(out.Figures, trialFigure{name, number(a, digits), number(b, digits), class})
	}
	figure("Alerts", float64(res.Now.Alerts), float64(res.With.Alerts), 0, "sum")
	for p := int(alerts.NumPriorities) - 1; p >= 0; p-- {
		name := alerts.Priority(p).String()
		figure(name, float64(res.Now.ByPriority[name]), float64(res.With.ByPriority[name]), 0, "part")
	}
	figure("Alerts a machine and year", res.Now.PerMachineYear, res.With.PerMachineYear, 1, "")
	figure("Standing when it began", float64(res.Now.Standing), float64(res.With.Standing), 0, "")
	for _, p := range res.People {
		out.People = append(out.People, trialPerson{p.Person, number(p.PerDayNow, 2), number(p.PerDayWith, 2), itoa(p.ShiftNow), itoa(p.ShiftWith), p.VerdictNow, p.VerdictWith})
		out.Standard = fmt.Sprintf("The standard’s figures: %d messages a day and person are acceptable, %d manageable (ISA-18.2, EEMUA 191); on call, at most 2 in a shift of 12 h. Nobody acknowledges anything in a trial, so nobody is asked a second time.",
			p.AcceptablePerDay, p.ManageablePerDay)
	}
	b.trialVisits(out, res, r, home)
	out.Same = fmt.Sprintf("%s the same in both.", count(res.Same, "alert is", "alerts are"))
	if res.Same == 0 {
		out.Same = "No alert is the same in both."
		if res.Now.Alerts+res.With.Alerts == 0 {
			out.Same = "There is no alert in these days, either way."
		}
	}
	for i := range res.Differ {
		if i == mostDifferences {
			out.More = len(res.Differ) - i
			break
		}
		out.Differ = append(out.Differ, b.trialDifference(&res.Differ[i], r, home))
	}
	if s := res.Suggestion; s != nil {
		out.Suggestion = suggestionOf(s, out.ID)
	}
}

func (b *Board) trialVisits(out *trialView, res *trial.Report, r Reader, home *time.Location) {
	found, missed := 0, 0
	for _, v := range res.Visits {
		if v.Found {
			found++
		}
		if v.Missed {
			missed++
		}
		at := instantOf(v.At)
		x := trialVisit{When: r.day(at, home), Machine: machineLink{v.Machine, stripsURL(v.Machine, at)}, Missed: v.Missed, Found: "nothing was found"}
		if v.Found {
			x.Found = "something was wrong"
			if f := new(fault.Fault); v.Fault != "" && f.UnmarshalText([]byte(v.Fault)) == nil {
				x.Found = f.Title()
			}
		}
		switch {
		case v.Missed:
			x.Said = "alerted now, not with the change"
		case v.Now == nil && v.With != nil:
			x.Said = "alerted with the change, not now"
		case v.With != nil:
			x.Said = "alerted in both"
		default:
			x.Said = "alerted in neither"
		}
		out.Visits = append(out.Visits, x)
	}
	if len(res.Visits) > 0 {
		out.VisitSum = fmt.Sprintf("%s in these days; at %d something was wrong. The change would have kept silent about %d of them.", count(len(res.Visits), "visit", "visits"), found, missed)
	}
}

func (b *Board) trialDifference(d *trial.ReportDifference, r Reader, home *time.Location) trialDifference {
	e := d.Now
	if e == nil || d.With != nil && d.With.From < e.From {
		e = d.With
	}
	loc := home
	if s, ok := b.fleet().Site(e.Site); ok {
		loc = zone(s)
	}
	from := instantOf(e.From)
	x := trialDifference{When: r.day(from, loc), Words: d.Words, Details: d.Details, Kind: d.Kind}
	for _, m := range e.Machines {
		x.Machines = append(x.Machines, machineLink{m, stripsURL(m, from.Add(6*time.Hour))})
	}
	return x
}

// stripsURL leads to the strips of a machine that end at a time.
func stripsURL(machine string, end time.Time) string {
	return machineURL(machine) + "?span=24h&until=" + url.QueryEscape(end.UTC().Format(time.RFC3339)) + "#strips"
}

// instantOr returns 1970 for nil.
func instantOr(s *string) time.Time {
	if s == nil {
		return time.Unix(0, 0)
	}
	return instantOf(*s)
}

func instantOf(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return time.Time{}
	}
	return t
}

func suggestionOf(s *trial.ReportSuggestion, id string) *suggestionView {
	best := s.Tried[s.Best]
	out := &suggestionView{Use: "/trials/" + id + "/use"}
	out.Says = fmt.Sprintf("Of the settings tried, this one would have met at most %s false alarms a machine and year with the least delay.", number(s.Wanted, 2))
	if !s.Found {
		out.Says = fmt.Sprintf("None of the settings tried would have met %s false alarms a machine and year; this one comes nearest.", number(s.Wanted, 2))
	}
	out.Sure, out.Basis = s.Sure(), s.Basis()
	if best.FalseAlarms == 0 && best.OnDelay == 1 {
		out.Use = "" // it is what is proposed already
	}
	for i, t := range s.Tried {
		row := suggestionRow{Wanted: "as proposed", Delays: "as proposed", Rate: number(t.Rate, 2), Missed: itoa(t.Missed), Later: "none", Best: i == s.Best}
		if t.FalseAlarms > 0 {
			row.Wanted = number(t.FalseAlarms, 2)
		}
		if t.OnDelay != 1 {
			row.Delays = "× " + number(t.OnDelay, 0)
		}
		if t.Delay > 0 {
			row.Later = span(time.Duration(math.Round(t.Delay)) * time.Second)
		}
		if proposed := t.FalseAlarms == 0 && t.OnDelay == 1; proposed || row.Best || !outdone(s.Tried, i) {
			out.Rows = append(out.Rows, row)
		} else {
			out.Others = append(out.Others, row)
		}
	}
	return out
}

// outdone reports whether a setting is as good as another in nothing but what that
// one is too, and worse in something, or the same as one before it.
func outdone(all []trial.ReportTried, i int) bool {
	a := &all[i]
	for j := range all {
		b := &all[j]
		if i == j || b.False > a.False || b.Missed > a.Missed || b.Delay > a.Delay {
			continue
		}
		if j < i || b.False < a.False || b.Missed < a.Missed || b.Delay < a.Delay {
			return true
		}
	}
	return false
}

// trialsView is the trials that are kept.
type trialsView struct{ Runs []trialLine }

type trialLine struct{ URL, What, When, By, State string }

func (b *Board) trialsData(_ context.Context, r Reader) (any, error) {
	file, _ := b.settings.InUse()
	home := b.homeZone()
	var out trialsView
	for _, run := range b.trials.Runs() {
		x := trialLine{URL: "/trials/" + run.ID, What: b.tried(&run, file), When: r.day(run.Began, home), By: run.Order.By}
		switch {
		case run.Ended.IsZero():
			x.State = percent(run.Done)
		case run.Canceled:
			x.State = "cancelled"
		case run.Err != "":
			x.State = "failed"
		default:
			x.State = fmt.Sprintf("%d alerts now, %d with the change", run.Result.Now.Alerts, run.Result.With.Alerts)
		}
		out.Runs = append(out.Runs, x)
	}
	return out, nil
}
