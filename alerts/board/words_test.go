package board

import (
	"math"
	"testing"
	"time"

	"coilward/alerts"
)

var (
	metric   = Reader{}
	imperial = Reader{Fahrenheit: true, TwelveHour: true}
)

// The scale of the IPCC's guidance note on uncertainties (Mastrandrea et al.
// 2010, table 1): each word begins at its share.
func TestChanceFollowsTheIPCCScale(t *testing.T) {
	for p, want := range map[float64]string{1: "virtually certain", 0.99: "virtually certain", 0.9899: "very likely", 0.90: "very likely",
		0.8999: "likely", 0.66: "likely", 0.6599: "as likely as not", 0.33: "as likely as not", 0.3299: "best guess of several"} {
		if got := chance(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
}

// 5 °C is 41 °F (FDA Food Code 3-501.16(A)(2)), 0 °C is 32 °F, −40 is both.
func TestSentencesInFahrenheit(t *testing.T) {
	for in, want := range map[string]string{
		"5 °C": "41.0 °F", "0 °C": "32.0 °F", "-40 °C": "−40.0 °F", "−40 °C": "−40.0 °F",
		"coil 9.8 K below air; normal 6.1 ± 0.5 K": "coil 17.6 °F below air; normal 11.0 ± 0.9 °F",
		"air 3.4 ± 0.3 °C at 14:20":                "air 38.1 ± 0.5 °F at 14:20",
		"warms 1.5 K/h":                            "warms 2.7 °F/h",
		// A rate over a difference is the same number in both scales, like the normal beside it.
		"warms by 1.30 K/h per K to ambient; normal is 0.57 ± 0.20": "warms by 1.30 °F/h per °F to ambient; normal is 0.57 ± 0.20",
		"R-290, 12 KW, 3 A, 5 Kelvin":                               "R-290, 12 KW, 3 A, 5 Kelvin",
	} {
		if got := unbroken(imperial.sentence(in)); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
		if got := metric.sentence(in); got != in {
			t.Errorf("%q changed for a reader of °C: %q", in, got)
		}
	}
}

func unbroken(s string) string {
	out := []rune(s)
	for i, c := range out {
		if c == '\u00a0' {
			out[i] = ' '
		}
	}
	return string(out)
}

func TestNumbersAndSpans(t *testing.T) {
	for in, want := range map[float64]string{-0.04: "0.0", -1: "−1.0", 3.25: "3.2"} {
		if got := number(in, 1); got != want {
			t.Errorf("%g: %q, want %q", in, got, want)
		}
	}
	if got := metric.temperature(5); unbroken(got) != "5.0 °C" {
		t.Error(got)
	}
	for in, want := range map[time.Duration]string{30 * time.Second: "under a minute", 59 * time.Minute: "59 min", 2*time.Hour + 5*time.Minute: "2 h 05 min",
		3 * time.Hour: "3 h", 24 * time.Hour: "1 day", 51 * time.Hour: "2 days 3 h", -time.Hour: "1 h"} {
		if got := unbroken(span(in)); got != want {
			t.Errorf("%v: %q, want %q", in, got, want)
		}
	}
	if got := unbroken(money("$", 1234567.4)); got != "$1 234 567" {
		t.Error(got)
	}
}

// A time that is not today says which day it is, in the site's zone.
func TestMomentSaysTheDay(t *testing.T) {
	ny, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 4, 3, 30, 0, 0, time.UTC) // still the 3rd in New York
	for d, want := range map[time.Duration]string{0: "23:30", -2 * time.Hour: "21:30", time.Hour: "Sat 00:30", -8 * 24 * time.Hour: "Thu 25 Jun 23:30", -365 * 24 * time.Hour: "Thu 3 Jul 2025 23:30"} {
		if got := unbroken(metric.moment(now.Add(d), now, ny)); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
	if got := unbroken(imperial.moment(now, now, ny)); got != "11:30 pm" {
		t.Error(got)
	}
}

// A spike of one reading in a week is on the strip; a gap is not bridged.
func TestEnvelopeKeepsSpikesAndGaps(t *testing.T) {
	e := newEnvelope()
	for i := range columns {
		if i > 300 && i < 400 {
			continue
		}
		for range 14 {
			e.add(i, 3)
		}
	}
	e.add(100, 9)
	if lo, hi := e.reach(); lo != 3 || hi != 9 {
		t.Errorf("reach %g to %g", lo, hi)
	}
	p := e.path(axis{0, 10}, 3)
	if lo, hi := e.mean(0).reach(); lo != 3 || math.Abs(hi-(14*3+9)/15.0) > 1e-9 {
		t.Errorf("means reach %g to %g", lo, hi)
	}
	moves := 0
	for _, c := range p {
		if c == 'M' {
			moves++
		}
	}
	if moves != 2 {
		t.Errorf("%d strokes, want 2: one on each side of the gap", moves)
	}
	e.add(5, math.NaN())
	if e.lo[5] != 3 {
		t.Error("a value that is not a number came in")
	}
}

// A mean over a day takes day and night out, whatever part of a day a column is:
// the mean of a sine over its period is nothing.
func TestMeanOverADay(t *testing.T) {
	for _, span := range []time.Duration{90 * aDay, 365 * aDay} {
		f := frame{fixedNow.Add(-span), fixedNow}
		e := newEnvelope()
		for at := f.from; at.Before(f.to); at = at.Add(5 * time.Minute) {
			i, _ := f.column(at)
			e.add(i, 20+10*math.Sin(2*math.Pi*at.Sub(f.from).Hours()/24))
		}
		m := e.mean(float64(aDay) / float64(f.width()))
		for i := 8; i < columns-8; i++ {
			if math.Abs(m.lo[i]-20) > 0.35 { // the ends of the day are within columns
				t.Fatalf("%v: column %d is %.2f, want 20", span, i, m.lo[i])
			}
		}
		if lo, hi := e.mean(1).reach(); span == 365*aDay && hi-lo < 1 {
			t.Errorf("a column's own mean reaches %.2f to %.2f: nothing is to be taken out", lo, hi)
		}
	}
}

func TestDutyAddsUp(t *testing.T) {
	f := frame{fixedNow.Add(-24 * time.Hour), fixedNow}
	var d duty
	for at := f.from; at.Before(f.to); at = at.Add(10 * time.Minute) {
		d.add(f, at, at.Add(10*time.Minute), at.Minute()%20 == 0)
	}
	if got := d.total(); math.Abs(got-0.5) > 1e-9 {
		t.Errorf("share %g, want a half", got)
	}
	d.add(f, f.from.Add(-time.Hour), f.from, true)
	d.add(f, f.to, f.to.Add(time.Hour), true)
	if got := d.total(); math.Abs(got-0.5) > 1e-9 {
		t.Errorf("time outside the frame counted: %g", got)
	}
}

// The marks of an axis are round and cover it.
func TestRuleIsRound(t *testing.T) {
	for _, c := range []struct{ lo, hi, step float64 }{{2, 7, 2}, {0, 0.32, 0.1}, {-20, 30, 20}, {115, 122, 2}} {
		a, marks, _ := rule(c.lo, c.hi)
		if len(marks) < 3 || len(marks) > 6 || math.Abs(marks[1]-marks[0]-c.step) > 1e-9 {
			t.Errorf("%g to %g: marks %v", c.lo, c.hi, marks)
		}
		if a.lo > c.lo || a.hi < c.hi {
			t.Errorf("%g to %g: axis %+v", c.lo, c.hi, a)
		}
	}
}

// Every move of an alert has words for the history.
func TestMovesHaveWords(t *testing.T) {
	for v, words := range verbWords {
		if words == "" {
			t.Errorf("the move %q has no words", alerts.Verb(v))
		}
	}
}
