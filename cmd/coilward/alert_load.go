package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
	"coilward/alerts/notify"
	"coilward/collector"
	"coilward/detect"
	"coilward/detect/fault"
)

// alertLoadCommand is the command line of alert-load.
type alertLoadCommand struct {
	Config string    `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file; it names the data folder."`
	Days   float64   `default:"30" placeholder:"N" help:"How many days back."`
	To     time.Time `placeholder:"TIME" help:"Where the days end; now if left out."`
	JSON   bool      `name:"json" help:"Print JSON."`
}

// Help is the longer text.
func (alertLoadCommand) Help() string {
	return `Prints how much each person was told, and which alerts and findings chatter, flash up and vanish, or stand too long, each beside the figure of ISA-18.2 and EEMUA 191. It only reads, and works beside a running daemon.

Example:
  coilward alert-load --config /etc/coilward/coilward.yaml --days 7`
}

// alertLoad is what the command prints.
type alertLoad struct {
	From, To   time.Time
	People     []personLoad
	ByPriority [alerts.NumPriorities]float64 // share of the alerts that opened, 0..1
	Opened     int
	Alerts     alerts.Annoyance // what people were shown
	Findings   alerts.Annoyance // what the models said, before anybody is told
	Stale      []string         // alerts that stand longer than a day now
}

type personLoad struct {
	Name string
	alerts.Load
}

func (c *alertLoadCommand) run(ctx context.Context, s *streams) int {
	fail := func(status int, err error) int {
		fmt.Fprintf(s.err, "coilward alert-load: %v\n", err)
		return status
	}
	if !(c.Days > 0 && c.Days <= 3660) {
		return fail(statusUsage, fmt.Errorf("--days %g is not above 0", c.Days))
	}
	conf, err := readConfig(c.Config)
	if err != nil {
		return fail(statusUsage, err)
	}
	l, err := openLedger(ctx, conf.DataDir)
	if err != nil {
		return fail(statusFailed, err)
	}
	defer l.Close()
	to := c.To
	if to.IsZero() {
		to = time.Now()
	}
	r, err := measureLoad(ctx, l, to.Add(-days(c.Days)), to)
	if err != nil {
		return fail(statusFailed, err)
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(r)
	} else {
		err = r.write(s.out)
	}
	if err != nil {
		return fail(statusFailed, err)
	}
	return statusOK
}

// measureLoad reads the ledger.
func measureLoad(ctx context.Context, l *ledger.Ledger, from, to time.Time) (*alertLoad, error) {
	r := &alertLoad{From: from, To: to}
	sent, err := l.SentTo(ctx, "", from, to)
	if err != nil {
		return nil, err
	}
	// One message a person and moment, however many ways there are to reach them.
	told := map[string][]alerts.Told{}
	seen := map[string]bool{}
	for _, m := range sent {
		if strings.HasPrefix(m.Key, "test/") {
			continue
		}
		what, _, _ := strings.Cut(m.Key, "/"+m.Person+"/"+m.Channel+"/")
		if once := m.Person + " " + what; !seen[once] {
			seen[once] = true
			told[m.Person] = append(told[m.Person], notify.ToldOf(m))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(told)) {
		r.People = append(r.People, personLoad{name, alerts.MeasureLoad(told[name], from, to)})
	}
	a, b := collector.MillisOf(from), collector.MillisOf(to)
	moves, err := l.MovesWithin(ctx, 0, b)
	if err != nil {
		return nil, err
	}
	r.Alerts = alerts.MeasureAnnoyance(alerts.SourcesOf(moves), a, b)
	opened, err := l.Alerts(ctx, ledger.Query{From: a, To: b, Limit: 1 << 20})
	if err != nil {
		return nil, err
	}
	for _, x := range opened {
		r.ByPriority[x.Peak]++
	}
	r.Opened = len(opened)
	for p := range r.ByPriority {
		r.ByPriority[p] /= max(1, float64(r.Opened))
	}
	if r.Findings, err = findingsOf(ctx, l, a, b); err != nil {
		return nil, err
	}
	open, err := l.Alerts(ctx, ledger.Query{Open: true, Limit: 1 << 20})
	if err != nil {
		return nil, err
	}
	r.Stale = alerts.Stale(open, to)
	return r, nil
}

// findingsOf makes a source of each fault of each machine.
func findingsOf(ctx context.Context, l *ledger.Ledger, from, to collector.Millis) (alerts.Annoyance, error) {
	lines, err := l.Reports(ctx, "", from, to)
	if err != nil {
		return alerts.Annoyance{}, err
	}
	by := map[string]*alerts.Source{}
	source := map[string]string{} // of each finding
	for _, line := range lines {
		var x struct {
			At      time.Time   `json:"at"`
			Machine string      `json:"machine"`
			Finding string      `json:"finding"`
			Change  string      `json:"change"`
			Fault   fault.Fault `json:"fault"`
		}
		if err := json.Unmarshal(line, &x); err != nil {
			return alerts.Annoyance{}, err
		}
		at := collector.MillisOf(x.At)
		switch x.Change {
		case detect.Raised.String():
			name := x.Machine + " " + x.Fault.String()
			source[x.Finding] = name
			if by[name] == nil {
				by[name] = &alerts.Source{Name: name}
			}
			by[name].Activations = append(by[name].Activations, alerts.Activation{From: at})
		case detect.Cleared.String():
			if s := by[source[x.Finding]]; s != nil {
				s.Activations[len(s.Activations)-1].To = at
			}
		}
	}
	var all []alerts.Source
	for _, name := range slices.Sorted(maps.Keys(by)) {
		all = append(all, *by[name])
	}
	return alerts.MeasureAnnoyance(all, from, to), nil
}

// write prints the figures, each beside the one it is held against.
func (r *alertLoad) write(out io.Writer) error {
	fmt.Fprintf(out, "From %s to %s.\n\n", r.From.Format("2006-01-02 15:04"), r.To.Format("2006-01-02 15:04 MST"))
	w := tabwriter.NewWriter(out, 0, 8, 2, ' ', 0)
	if len(r.People) == 0 {
		fmt.Fprintln(w, "Nobody was told anything.")
	} else {
		fmt.Fprintf(w, "Person\tmessages\tin 10 min\tmost in 10 min\tfloods\tto act on in 12 h\t\n")
		fmt.Fprintf(w, "figure\t\tat most %d\tat most %d\tnone\tat most %d\t\n", alerts.LoadAcceptable, alerts.FloodBegins, alerts.ShiftMost)
		for _, p := range r.People {
			fmt.Fprintf(w, "%s\t%d\t%.3f\t%d\t%d\t%d\t%s\n", p.Name, p.Messages, p.PerTenMin, p.Busiest, p.Floods, p.Incidents, over(&p.Load))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nAlerts that opened: %d; low %.0f %%, medium %.0f %%, high and critical %.0f %% (figure: about 80, 15, 5 %%)\n", r.Opened,
		100*r.ByPriority[alerts.Low], 100*r.ByPriority[alerts.Medium], 100*(r.ByPriority[alerts.High]+r.ByPriority[alerts.Critical]))
	write := func(what string, a *alerts.Annoyance) {
		fmt.Fprintf(out, "%s into alarm: %d times\n", what, a.Activations)
		fmt.Fprintf(out, "  chattering, 3 times or more within 60 s (figure: none): %s\n", names(a.Chattering))
		fmt.Fprintf(out, "  fleeting, over within 60 s (figure: none): %s\n", names(a.Fleeting))
		if len(a.Frequent) > 0 {
			fmt.Fprintf(out, "  the %d most frequent: %.0f %% (figure: under 5 %% of a large fleet's):", len(a.Frequent), 100*a.FrequentShare)
			for i, s := range a.Frequent {
				fmt.Fprintf(out, "%s %s %d", map[bool]string{true: ","}[i > 0], s.Name, len(s.Activations))
			}
			fmt.Fprintln(out)
		}
	}
	write("Alerts", &r.Alerts)
	write("Findings, before anybody is told,", &r.Findings)
	_, err := fmt.Fprintf(out, "Standing for more than a day (figure: under %d): %s\n", alerts.StaleMost, names(r.Stale))
	return err
}

// over says which of the figures a person's load is over.
func over(l *alerts.Load) string {
	switch {
	case l.Floods > 0:
		return "flood"
	case l.PerTenMin > alerts.LoadManageable:
		return "more than can be managed"
	case l.PerTenMin > alerts.LoadAcceptable:
		return "manageable at most"
	case l.Incidents > alerts.ShiftMost:
		return "too many in a shift"
	}
	return "within the figures"
}

// names lists a few names.
func names(all []string) string {
	const most = 12
	shown := strings.Join(all[:min(most, len(all))], ", ")
	if len(all) > most {
		shown += fmt.Sprintf(" and %d more", len(all)-most)
	}
	return cmp.Or(shown, "none")
}
