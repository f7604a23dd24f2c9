package trial

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"

	"coilward/alerts"
	"coilward/collector"
)

// WriteText writes the result for people, times in UTC.
func (r *Result) WriteText(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	line("%s to %s, %.4g days, %d machines", minute(r.From), minute(r.To), r.Days(), r.Machines)
	if r.Begins != (Begins{}) {
		line("%s", r.Begins.Words(func(m collector.Millis) string { return minute(m) + " UTC" }))
	}
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
	r.writeVisits(out)
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
		text := fmt.Sprintf("%s, %s, stood %s", e.Fault.Title(), e.Priority, span(e.Lasted()))
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
	text := arrow(d.Now.Fault.Title(), d.With.Fault.Title()) + ", " + arrow(d.Now.Priority.String(), d.With.Priority.String())
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

// writeVisits tells what became of what people found in these days.
func (r *Result) writeVisits(out io.Writer) {
	if len(r.Visits) == 0 {
		return
	}
	found, missed := 0, 0
	for i := range r.Visits {
		if r.Visits[i].Found {
			found++
		}
		if r.Visits[i].Missed() {
			missed++
		}
	}
	fmt.Fprintf(out, "\nVisits in these days: %d, at %d something was wrong; the change would have kept silent about %d of them.\n", len(r.Visits), found, missed)
	for i := range r.Visits {
		if v := &r.Visits[i]; v.Missed() {
			fmt.Fprintf(out, "  %s  %s: %s was found, alerted %s now, not with the change\n", minute(v.At), v.Machine, v.Fault.Title(), minute(v.Now.From))
		}
	}
}

// WriteText writes the suggestion for people.
func (s *Suggestion) WriteText(out io.Writer) error {
	fmt.Fprintf(out, "\nWanted: at most %.4g false alarms a machine and year, over %.3g machine-years.\n", s.Wanted, s.MachineYears)
	report := s.Report()
	fmt.Fprintf(out, "%s\n\n", folded(report.Basis(), 120))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "wanted false alarms\ton-delays\tfalse, a machine and year\tmissed\tlater than the keenest\t")
	for i := range s.Tried {
		t := &s.Tried[i]
		mark := ""
		if i == s.Best {
			mark = "<- least delay within the wanted rate"
			if !s.Found {
				mark = "<- nearest; none met the wanted rate"
			}
		}
		fmt.Fprintf(w, "%s\t× %g\t%.2f\t%d\t%s\t%s\n", t.wantedWords(), t.OnDelay, t.Rate, t.Missed, span(t.Delay), mark)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "\n%s\n", folded(report.Sure(), 120))
	return err
}

// folded puts a text into lines of at most so many characters, if its words allow.
func folded(text string, width int) string {
	var b strings.Builder
	at := 0
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case at+1+n > width:
			b.WriteByte('\n')
			at = 0
		default:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += n
	}
	return b.String()
}

func (t *Tried) wantedWords() string {
	if t.FalseAlarms == 0 {
		return "as it is"
	}
	return fmt.Sprintf("%.3g", t.FalseAlarms)
}
