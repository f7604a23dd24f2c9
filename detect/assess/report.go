package assess

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"

	"coilward/detect/fault"
)

// Write prints the figures for people.
func (f *Figures) Write(w io.Writer) error {
	p := &printer{w: w}
	p.line("%-26s %5s %9s %9s %9s %7s %7s   %-15s   %-15s", "", "", "", "before", "named", "window left from", "", "right name", "right name 6 h")
	p.line("%-26s %5s %9s %9s %9s %7s %7s   %7s %7s   %7s %7s", "", "", "noticed", "the limit", "some time", "median", "p10", "first", "in two", "first", "in two")
	for i := range f.ByFault {
		p.block(fault.Fault(i).String(), &f.ByFault[i])
	}
	p.line("")
	for _, set := range append(slices.Clone(sets), "other") {
		b := f.BySet[set]
		p.block("channels: "+set, &b)
	}
	p.block("cooling faults", &f.Cooling)
	p.block("all", &f.All)
	p.line("Window: share of the time from the first measurable effect to the product's limit that was left at the raise; late or never is 0.")
	p.line("Right name: of the noticed, at the raise and 6 h later; names the machine's channels cannot tell apart are right.")
	p.line("")
	a := &f.All
	p.line("%d episodes without a measurable effect, %d of them noticed.", f.Mild, f.MildNoticed)
	p.line("From onset, window left: median %s, p10 %s; lead: median %s, p10 %s.",
		percent(a.Window, .5), percent(a.Window, .1), hours(a.Lead, .5), hours(a.Lead, .1))
	p.line("Where the product never spoils: raised %s (median) after the first effect.", hours(a.Delay, .5))
	p.line("Raises per noticed episode %.2f. Cleared within 6 h of the repair: %d of %d; cleared while still there: %d.",
		ratio(a.Raises, a.Noticed), f.ClearedInTime, f.Ended, f.ClearedEarly)
	p.line("")
	p.falseAlarms(&f.False)
	p.line("")
	p.forecast(&f.Forecast)
	p.line("")
	p.reliability(f)
	return p.err
}

type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, strings.TrimRight(fmt.Sprintf(format, args...), " "))
	}
}

func (p *printer) block(name string, b *Block) {
	if b.Episodes == 0 {
		return
	}
	of := func(n, of int) string {
		if of == 0 {
			return "-"
		}
		return fmt.Sprintf("%.0f %%", 100*ratio(n, of))
	}
	limit := "-"
	if b.WithLimit > 0 {
		limit = fmt.Sprintf("%d/%d", b.BeforeLimit, b.WithLimit)
	}
	p.line("%-26s %5d %9s %9s %9s %7s %7s   %7s %7s   %7s %7s", name, b.Episodes, of(b.Noticed, b.Episodes), limit, of(b.Named, b.Episodes),
		percent(b.FromEffect, .5), percent(b.FromEffect, .1),
		of(b.AtRaise.First, b.Noticed), of(b.AtRaise.Two, b.Noticed), of(b.Later.First, b.Noticed), of(b.Later.Two, b.Noticed))
}

func (p *printer) falseAlarms(f *FalseAlarms) {
	p.line("False alarms, medium or higher: %d in %.0f machine-days = %.1f per 1,000, on %d machines; of any priority %.1f per 1,000.",
		f.Urgent, f.MachineDays, perThousand(f.Urgent, f.MachineDays), f.Machines, perThousand(f.Any, f.MachineDays))
	for _, set := range append(slices.Clone(sets), "other") {
		if d := f.DaysBySet[set]; d > 0 {
			p.line("    channels %-10s %4d in %6.0f machine-days = %.1f per 1,000", set, f.BySet[set], d, perThousand(f.BySet[set], d))
		}
	}
	for i, n := range f.ByFault {
		if n > 0 {
			p.line("    said to be %-24s %4d", fault.Fault(i), n)
		}
	}
	for _, k := range slices.SortedFunc(maps.Keys(f.After), func(a, b string) int { return cmp.Or(f.After[b]-f.After[a], cmp.Compare(a, b)) }) {
		p.line("    after %-40s %4d", k, f.After[k])
	}
}

func (p *printer) forecast(f *Forecast) {
	p.line("Time of the limit, as said at the raise: given in %d of %d; off by %s (median), %s (p90); too hopeful in %.0f %%.",
		f.Given, f.Episodes, hours(f.Error, .5), hours(f.Error, .9), 100*ratio(f.Optimistic, f.Given))
	p.line("Half an hour before it: off by %s (median of %d). Given though it never spoiled: %d.", hours(f.LastError, .5), len(f.LastError), f.Needless)
}

// reliability draws how often a finding was right, by the probability it was
// said with: the mark belongs on the diagonal.
func (p *printer) reliability(f *Figures) {
	p.line("Brier score %.3f. Right (#) against said (|), by the probability at the raise:", f.Brier)
	const width = 40
	for i, b := range f.Reliability {
		if b.Findings == 0 {
			p.line("    %.1f–%.1f %5d", float64(i)/5, float64(i+1)/5, 0)
			continue
		}
		said, right := b.Said/float64(b.Findings), ratio(b.Right, b.Findings)
		bar := []rune(strings.Repeat("#", int(math.Round(right*width))) + strings.Repeat("·", width-int(math.Round(right*width))))
		bar[min(int(said*width), width-1)] = '|'
		p.line("    %.1f–%.1f %5d  %s  said %.2f, right %.2f", float64(i)/5, float64(i+1)/5, b.Findings, string(bar), said, right)
	}
}

// WriteComparison prints one line for each way of running, under a heading.
func WriteComparison(w io.Writer, heading string, names []string, figures []*Figures) error {
	p := &printer{w: w}
	p.line("%-36s %8s %9s %15s %9s %10s %9s %8s", heading, "noticed", "before", "window left", "delay", "right in", "false", "Brier")
	p.line("%-36s %8s %9s %7s %7s %9s %10s %9s %8s", "", "", "the limit", "median", "p10", "no limit", "two, 6 h", "per 1,000", "score")
	for i, f := range figures {
		a := &f.All
		p.line("%-36s %6.0f %% %9s %7s %7s %9s %8.0f %% %9.1f %8.3f", names[i], 100*ratio(a.Noticed, a.Episodes),
			fmt.Sprintf("%d/%d", a.BeforeLimit, a.WithLimit), percent(a.FromEffect, .5), percent(a.FromEffect, .1), hours(a.Delay, .5),
			100*ratio(a.Later.Two, a.Noticed), perThousand(f.False.Urgent, f.False.MachineDays), f.Brier)
	}
	return p.err
}

func ratio(a, b int) float64 { return float64(a) / float64(max(b, 1)) }

func perThousand(n int, days float64) float64 {
	if days == 0 {
		return 0
	}
	return 1000 * float64(n) / days
}

func percent(sorted []float64, q float64) string {
	v, ok := Quantile(sorted, q)
	if !ok {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", 100*v)
}

func hours(sorted []float64, q float64) string {
	v, ok := Quantile(sorted, q)
	if !ok {
		return "-"
	}
	return fmt.Sprintf("%.1f h", v)
}
