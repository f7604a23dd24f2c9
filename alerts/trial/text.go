package trial

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"coilward/alerts"
	"coilward/collector"
)

// WriteText writes the result for people, times in UTC.
func (r *Result) WriteText(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	line("%s to %s, %.4g days, %d machines", minute(r.From), minute(r.To), r.Days(), r.Machines)
	line("")
	line("\tnow\twith the change\t")
	line("alerts\t%d\t%d\t", r.Now.Alerts, r.With.Alerts)
	for p := range alerts.NumPriorities {
		p := alerts.NumPriorities - 1 - p
		line("  %s\t%d\t%d\t", p, r.Now.ByPriority[p], r.With.ByPriority[p])
	}
	line("alerts a machine and year\t%.2f\t%.2f\t", r.PerMachineYear(r.Now.Alerts), r.PerMachineYear(r.With.Alerts))
	line("standing when it began\t%d\t%d\t", r.Now.Standing, r.With.Standing)
	for _, p := range r.People {
		line("told a day: %s\t%.2f\t%.2f\t", p.Name, PerDay(p.Now), PerDay(p.With))
		line("  most in 12 h\t%d\t%d\t", p.Now.Shift, p.With.Shift)
		line("  against the figures\t%s\t%s\t", Verdict(p.Now), Verdict(p.With))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if len(r.People) > 0 {
		fmt.Fprintf(out, "\nFigures: %d a day and person acceptable, %d manageable (ISA-18.2, EEMUA 191); on call, at most %d in a shift of 12 h.\n"+
			"Nobody acknowledges anything in a trial, so nobody is asked a second time.\n", AcceptableADay, ManageableADay, alerts.ShiftMost)
	}
	if len(r.Differ) == 0 {
		_, err := fmt.Fprintf(out, "\nThe change makes no difference: all %d alerts are the same.\n", r.Same)
		return err
	}
	fmt.Fprintf(out, "\n%d %s the same, %d %s:\n\n", r.Same, are(r.Same), len(r.Differ), differ(len(r.Differ)))
	w.Init(out, 0, 0, 2, ' ', 0)
	for i := range r.Differ {
		d := &r.Differ[i]
		e := d.first()
		line("%s\t%s\t%s\t%s", minute(e.From), where(e), d.words(), d.details())
	}
	return w.Flush()
}

func are(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func differ(n int) string {
	if n == 1 {
		return "differs"
	}
	return "differ"
}

func minute(m collector.Millis) string { return m.Time().Format("2006-01-02 15:04") }

// where names the machine, or the site where several have one cause.
func where(e *Episode) string {
	if len(e.Machines) == 1 {
		return e.Machines[0]
	}
	return fmt.Sprintf("%s (%d machines: %s)", e.Site, len(e.Machines), strings.Join(e.Machines, " "))
}

// words says what kind of difference it is.
func (d *Difference) words() string {
	switch d.Kind {
	case Gone:
		return "no longer told"
	case Added:
		return "newly told"
	case Later, Earlier:
		return span(d.Shift().Abs()) + " " + d.Kind.String()
	}
	return "told otherwise"
}

// details says what the alert is, and what of it differs.
func (d *Difference) details() string {
	if d.Now == nil || d.With == nil {
		e := d.first()
		text := fmt.Sprintf("%s, %s, stood %s", e.Fault, e.Priority, span(e.Lasted()))
		if e.Open {
			text += " and still does"
		}
		return text
	}
	arrow := func(a, b string) string {
		if a == b {
			return a
		}
		return a + " → " + b
	}
	text := arrow(d.Now.Fault.String(), d.With.Fault.String()) + ", " + arrow(d.Now.Priority.String(), d.With.Priority.String())
	switch {
	case d.Now.Open && !d.With.Open:
		text += ", ends " + minute(d.With.To)
	case !d.Now.Open && d.With.Open:
		text += ", does not end"
	case d.Now.To != d.With.To:
		when := "earlier"
		if d.With.To > d.Now.To {
			when = "later"
		}
		text += ", ends " + span(d.With.To.Sub(d.Now.To).Abs()) + " " + when
	}
	return text
}

// span writes a duration as people say it.
func span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.1f days", d.Hours()/24)
}

// MarshalJSON writes the result for programs: times in RFC 3339, durations in
// seconds.
func (r *Result) MarshalJSON() ([]byte, error) {
	type person struct {
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
	type difference struct {
		Kind  Kind     `json:"kind"`
		Shift *float64 `json:"shift_seconds"`
		Now   *episode `json:"now"`
		With  *episode `json:"with"`
	}
	v := struct {
		From     string       `json:"from"`
		To       string       `json:"to"`
		Days     float64      `json:"days"`
		Machines int          `json:"machines"`
		Now      jsonFigures  `json:"now"`
		With     jsonFigures  `json:"with"`
		Same     int          `json:"same"`
		People   []person     `json:"people"`
		Differ   []difference `json:"differences"`
	}{
		From: instant(r.From), To: instant(r.To), Days: r.Days(), Machines: r.Machines, Same: r.Same,
		Now: r.json(&r.Now), With: r.json(&r.With), People: []person{}, Differ: []difference{},
	}
	for _, p := range r.People {
		v.People = append(v.People, person{p.Name, PerDay(p.Now), PerDay(p.With), p.Now.Shift, p.With.Shift,
			Verdict(p.Now), Verdict(p.With), AcceptableADay, ManageableADay})
	}
	for i := range r.Differ {
		d := &r.Differ[i]
		out := difference{Kind: d.Kind, Now: d.Now.json(), With: d.With.json()}
		if d.Now != nil && d.With != nil {
			s := d.Shift().Seconds()
			out.Shift = &s
		}
		v.Differ = append(v.Differ, out)
	}
	return json.Marshal(v)
}

type jsonFigures struct {
	Alerts         int            `json:"alerts"`
	ByPriority     map[string]int `json:"by_priority"`
	PerMachineYear float64        `json:"per_machine_year"`
	Standing       int            `json:"standing_at_begin"`
	Reports        int            `json:"finding_lines"`
}

func (r *Result) json(f *Figures) jsonFigures {
	by := map[string]int{}
	for p := range alerts.NumPriorities {
		by[p.String()] = f.ByPriority[p]
	}
	return jsonFigures{f.Alerts, by, r.PerMachineYear(f.Alerts), f.Standing, f.Reports}
}

type episode struct {
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

func (e *Episode) json() *episode {
	if e == nil {
		return nil
	}
	out := &episode{Alert: e.Alert, Site: e.Site, Machines: e.Machines, Cause: e.Cause, Fault: e.Fault.String(), Priority: e.Priority, From: instant(e.From)}
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

func instant(m collector.Millis) string { return m.Time().Format(time.RFC3339Nano) }
