package board

import (
	"strings"
	"testing"
	"time"

	"coilward/alerts/trial"
)

// Of the settings that were tried, those are shown that are better in something.
func TestSuggestionShowsWhatIsBetterInSomething(t *testing.T) {
	s := &trial.ReportSuggestion{Wanted: 2, MachineYears: 2, Found: true, Best: 1, Unfounded: 9, Tried: []trial.ReportTried{
		{OnDelay: 1, Rate: 2, False: 4, Delay: 900},                    // as proposed, always shown
		{FalseAlarms: 1.6, OnDelay: 1, Rate: 1.5, False: 3},            // the best
		{FalseAlarms: 1.6, OnDelay: 3, Rate: 1.5, False: 3},            // the same as the best
		{FalseAlarms: 1.2, OnDelay: 1, Rate: 0.5, False: 1, Delay: 60}, // fewer, later
		{FalseAlarms: 1.1, OnDelay: 1, Rate: 0.5, False: 1, Delay: 90}, // as many, later still
		{FalseAlarms: 0.4, OnDelay: 1, Missed: 1, Delay: 120},          // none, and one is missed
	}}
	view := suggestionOf(s, "7")
	wanted := func(rows []suggestionRow) string {
		var out []string
		for _, r := range rows {
			out = append(out, r.Wanted+" "+r.Delays)
		}
		return strings.Join(out, "; ")
	}
	if got, want := wanted(view.Rows), "as proposed as proposed; 1.60 as proposed; 1.20 as proposed; 0.40 as proposed"; got != want {
		t.Errorf("shown: %s, want %s", got, want)
	}
	if got, want := wanted(view.Others), "1.60 × 3; 1.10 as proposed"; got != want {
		t.Errorf("folded away: %s, want %s", got, want)
	}
}

// A trial that found fewer days than it was asked for says so.
func TestTrialSaysThatLessIsStored(t *testing.T) {
	w, b, _ := tunable(t)
	for days, says := range map[int]bool{14: false, 30: true} {
		run := TrialRun{Order: TrialOrder{Days: days}, Ended: w.Now(), Result: finished()}
		from, to := instantOf(run.Result.From), instantOf(run.Result.To)
		if to.Sub(from) != 14*24*time.Hour {
			t.Fatalf("the trial is from %s to %s", from, to)
		}
		var out trialView
		b.trialResult(&out, &run, Reader{}, time.UTC)
		if got := strings.Contains(out.Stretch, "no older readings of them are stored"); got != says {
			t.Errorf("%d days: %s", days, out.Stretch)
		}
	}
}
