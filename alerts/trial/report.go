package trial

import (
	"encoding/json"
	"fmt"
	"time"

	"coilward/alerts"
	"coilward/collector"
)

// Report is a result for programs and pages: times in RFC 3339, durations in
// seconds.
type Report struct {
	From       string             `json:"from"`
	To         string             `json:"to"`
	Days       float64            `json:"days"`
	Models     *string            `json:"models_of"`     // null: they learned
	Learned    *string            `json:"learned_since"` // null: they were kept
	WhyLearned string             `json:"why_learned,omitempty"`
	Machines   int                `json:"machines"`
	Now        ReportFigures      `json:"now"`
	With       ReportFigures      `json:"with"`
	Same       int                `json:"same"`
	People     []ReportPerson     `json:"people"`
	Differ     []ReportDifference `json:"differences"`
	Visits     []ReportVisit      `json:"visits"`
	Suggestion *ReportSuggestion  `json:"suggestion,omitempty"`
}

// ReportFigures are counts of one run.
type ReportFigures struct {
	Alerts         int            `json:"alerts"`
	ByPriority     map[string]int `json:"by_priority"`
	PerMachineYear float64        `json:"per_machine_year"`
	Standing       int            `json:"standing_at_begin"`
	Reports        int            `json:"finding_lines"`
}

// ReportPerson is what one person would have been told.
type ReportPerson struct {
	Person           string  `json:"person"`
	PerDayNow        float64 `json:"told_per_day_now"`
	PerDayWith       float64 `json:"told_per_day_with"`
	ShiftNow         int     `json:"most_in_12h_now"`
	ShiftWith        int     `json:"most_in_12h_with"`
	VerdictNow       string  `json:"verdict_now"`
	VerdictWith      string  `json:"verdict_with"`
	AcceptablePerDay int     `json:"acceptable_per_day"`
	ManageablePerDay int     `json:"manageable_per_day"`
}

// ReportDifference is one alert that is not the same in both runs.
type ReportDifference struct {
	Kind    string         `json:"kind"`
	Shift   *float64       `json:"shift_seconds"` // null: one run does not tell of it
	Now     *ReportEpisode `json:"now"`
	With    *ReportEpisode `json:"with"`
	Words   string         `json:"words"`   // what kind of difference
	Details string         `json:"details"` // what the alert is, and what of it differs
}

// ReportEpisode is one time that an alert stood.
type ReportEpisode struct {
	Alert    string           `json:"alert"`
	Site     string           `json:"site"`
	Machines []string         `json:"machines"`
	Cause    alerts.CauseKind `json:"cause"`
	Fault    string           `json:"fault"`
	Priority alerts.Priority  `json:"priority"`
	From     string           `json:"from"`
	To       *string          `json:"to"` // null: stood at the end
	LimitAt  *string          `json:"limit_at"`
}

// ReportVisit is what was found at a machine.
type ReportVisit struct {
	Machine string         `json:"machine"`
	At      string         `json:"at"`
	Found   bool           `json:"found"`
	Fault   string         `json:"fault,omitempty"`
	Missed  bool           `json:"missed"`
	Now     *ReportEpisode `json:"now"`
	With    *ReportEpisode `json:"with"`
}

// ReportSuggestion is a setting that would have met a wanted rate.
type ReportSuggestion struct {
	Wanted       float64       `json:"wanted"`
	MachineYears float64       `json:"machine_years"`
	Found        bool          `json:"met"`
	Best         int           `json:"best"` // in tried
	Tried        []ReportTried `json:"tried"`
	BorneOut     int           `json:"borne_out"`
	Unfounded    int           `json:"unfounded"`
	Undecided    int           `json:"undecided"`
}

// Basis says in a sentence what the rates rest on.
func (s *ReportSuggestion) Basis() string {
	was := func(n int) string {
		if n == 1 {
			return "1 was"
		}
		return fmt.Sprintf("%d were", n)
	}
	undecided := fmt.Sprintf("%d are undecided and count", s.Undecided)
	if s.Undecided == 1 {
		undecided = "1 is undecided and counts"
	}
	return fmt.Sprintf("Of the troubles that any of the settings alerts about, %s borne out (a visit found something, or product left its limits), "+
		"%s not (a visit found nothing, or they went by themselves within a day with product inside), %s neither way.", was(s.BorneOut), was(s.Unfounded), undecided)
}

// Sure says in a sentence how far the rate of the best can be trusted.
func (s *ReportSuggestion) Sure() string {
	best := s.Tried[s.Best]
	alarms := "false alarms"
	if best.False == 1 {
		alarms = "false alarm"
	}
	text := fmt.Sprintf("%d %s in %.3g machine-years: the true rate is below %.2g a machine and year with 95 %% confidence.", best.False, alarms, s.MachineYears, best.RateBelow)
	if s.Found && best.RateBelow > s.Wanted {
		text += " More days or machines would say it more surely."
	}
	return text
}

// ReportTried is how one setting would have done.
type ReportTried struct {
	FalseAlarms float64 `json:"false_alarms"` // the setting; 0: as it is
	OnDelay     float64 `json:"on_delay_factor"`
	Rate        float64 `json:"false_per_machine_year"`
	RateBelow   float64 `json:"rate_below"` // with 95 % confidence
	False       int     `json:"false"`
	Missed      int     `json:"missed"`
	Delay       float64 `json:"later_seconds"`

	OnDelays map[string]string `json:"on_delays,omitempty"` // by urgency, where they are multiplied
}

// Report returns the result for programs and pages.
func (r *Result) Report() *Report {
	out := &Report{
		From: instant(r.From), To: instant(r.To), Days: r.Days(), Machines: r.Machines, Same: r.Same, WhyLearned: r.Begins.Why,
		Now: r.figures(&r.Now), With: r.figures(&r.With), People: []ReportPerson{}, Differ: []ReportDifference{}, Visits: []ReportVisit{},
	}
	since := func(m collector.Millis) *string {
		if m == 0 {
			return nil
		}
		s := instant(m)
		return &s
	}
	out.Models, out.Learned = since(r.Begins.Models), since(r.Begins.Learned)
	for _, p := range r.People {
		out.People = append(out.People, ReportPerson{p.Name, PerDay(p.Now), PerDay(p.With), p.Now.Shift, p.With.Shift,
			Verdict(p.Now), Verdict(p.With), AcceptableADay, ManageableADay})
	}
	for i := range r.Differ {
		d := &r.Differ[i]
		x := ReportDifference{Kind: d.Kind.String(), Now: d.Now.report(), With: d.With.report(), Words: d.words(), Details: d.details()}
		if d.Now != nil && d.With != nil {
			s := d.Shift().Seconds()
			x.Shift = &s
		}
		out.Differ = append(out.Differ, x)
	}
	for i := range r.Visits {
		v := &r.Visits[i]
		x := ReportVisit{Machine: v.Machine, At: instant(v.At), Found: v.Found, Missed: v.Missed(), Now: v.Now.report(), With: v.With.report()}
		if v.Fault != 0 {
			x.Fault = v.Fault.String()
		}
		out.Visits = append(out.Visits, x)
	}
	return out
}

// MarshalJSON writes the result's report.
func (r *Result) MarshalJSON() ([]byte, error) { return json.Marshal(r.Report()) }

func (r *Result) figures(f *Figures) ReportFigures {
	by := map[string]int{}
	for p := range alerts.NumPriorities {
		by[p.String()] = f.ByPriority[p]
	}
	return ReportFigures{f.Alerts, by, r.PerMachineYear(f.Alerts), f.Standing, f.Reports}
}

func (e *Episode) report() *ReportEpisode {
	if e == nil {
		return nil
	}
	out := &ReportEpisode{Alert: e.Alert, Site: e.Site, Machines: e.Machines, Cause: e.Cause, Fault: e.Fault.String(), Priority: e.Priority, From: instant(e.From)}
	if !e.Open {
		s := instant(e.To)
		out.To = &s
	}
	if e.LimitAt != 0 {
		s := instant(e.LimitAt)
		out.LimitAt = &s
	}
	return out
}

// Report returns the suggestion for programs and pages.
func (s *Suggestion) Report() *ReportSuggestion {
	out := &ReportSuggestion{Wanted: s.Wanted, MachineYears: s.MachineYears, Found: s.Found, Best: s.Best,
		BorneOut: s.BorneOut, Unfounded: s.Unfounded, Undecided: s.Undecided}
	for _, t := range s.Tried {
		out.Tried = append(out.Tried, ReportTried{t.FalseAlarms, t.OnDelay, t.Rate, RateBelow(t.False, s.MachineYears), t.False, t.Missed, t.Delay.Seconds(), t.OnDelays})
	}
	return out
}

func instant(m collector.Millis) string { return m.Time().Format(time.RFC3339Nano) }
