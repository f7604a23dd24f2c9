package fleet

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Span is part of a day, in minutes after midnight by the clock on the wall;
// To may be past 1440 when it ends on the next day.
type Span struct{ From, To int }

// Hours are when a site is open, by day of the week.
type Hours [7][]Span

// Open reports whether the site is open at t, by t's own location.
func (h *Hours) Open(t time.Time) bool {
	if h == nil {
		return true
	}
	minute := t.Hour()*60 + t.Minute()
	for _, s := range h[t.Weekday()] {
		if s.From <= minute && minute < s.To {
			return true
		}
	}
	for _, s := range h[(t.Weekday()+6)%7] { // yesterday's, past midnight
		if minute+1440 < s.To {
			return true
		}
	}
	return false
}

// NextOpen returns the first minute from t on at which the site is open, in
// t's location; ok is false when it is never open.
func (h *Hours) NextOpen(t time.Time) (open time.Time, ok bool) {
	if h.Open(t) {
		return t, true
	}
	for day := range 8 {
		y, m, d := t.Date()
		spans := slices.Clone(h[(int(t.Weekday())+day)%7])
		slices.SortFunc(spans, func(a, b Span) int { return a.From - b.From })
		for _, s := range spans {
			from := time.Date(y, m, d+day, 0, s.From, 0, 0, t.Location())
			if !from.Before(t) {
				return from, true
			}
		}
	}
	return time.Time{}, false
}

var days = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// parseDays reads "sat" or "mon-fri"; a range may pass the end of the week.
func parseDays(text string) (of []time.Weekday, err error) {
	from, to, isRange := strings.Cut(strings.ToLower(strings.ReplaceAll(text, " ", "")), "-")
	if !isRange {
		to = from
	}
	first, last := slices.Index(days[:], from), slices.Index(days[:], to)
	if first < 0 || last < 0 {
		return nil, fmt.Errorf("%q is no day or range of days; write mon, tue, … sun, or mon-fri", text)
	}
	for d := first; ; d = (d + 1) % 7 {
		of = append(of, time.Weekday(d))
		if d == last {
			return of, nil
		}
	}
}

// parseSpans reads "06:00-22:00", several with commas between, or "closed".
func parseSpans(text string) ([]Span, error) {
	text = strings.TrimSpace(text)
	if text == "closed" {
		return nil, nil
	}
	var spans []Span
	for part := range strings.SplitSeq(text, ",") {
		from, to, ok := strings.Cut(strings.TrimSpace(part), "-")
		f, fok := parseMinute(from)
		t, tok := parseMinute(to)
		if !ok || !fok || !tok || f == 1440 || f == t {
			return nil, fmt.Errorf("%q are no hours; write 06:00-22:00, several with commas between, or closed", text)
		}
		if t < f {
			t += 1440
		}
		spans = append(spans, Span{f, t})
	}
	return spans, nil
}

func parseMinute(text string) (minute int, ok bool) {
	hh, mm, ok := strings.Cut(strings.TrimSpace(text), ":")
	h, herr := strconv.Atoi(hh)
	m, merr := strconv.Atoi(mm)
	minute = h*60 + m
	return minute, ok && herr == nil && merr == nil && h >= 0 && m >= 0 && m < 60 && len(mm) == 2 && minute <= 1440
}

// ParseHours reads days and their hours, "mon-fri" to "06:00-22:00", as in the
// fleet file. A day that is not named is closed; the error tells every problem.
func ParseHours(text map[string]string) (*Hours, error) {
	h := new(Hours)
	var errs []error
	var said [7]bool
	for _, when := range slices.Sorted(maps.Keys(text)) {
		on, err := parseDays(when)
		spans, err2 := parseSpans(text[when])
		errs = append(errs, err, err2)
		for _, d := range on {
			if said[d] {
				errs = append(errs, fmt.Errorf("%s is given twice", days[d]))
			}
			said[d], h[d] = true, spans
		}
	}
	for d := range h { // in order of the day
		slices.SortFunc(h[d], func(a, b Span) int { return a.From - b.From })
	}
	return h, errors.Join(errs...)
}
