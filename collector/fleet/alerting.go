package fleet

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"coilward/collector/quantity"
)

// Urgency is how soon somebody must act, in the words of an alert's priority.
type Urgency uint8

// Urgencies, the least first.
const (
	Low Urgency = iota
	Medium
	High
	Critical
	NumUrgencies int = iota
)

var urgencies = [NumUrgencies]string{"low", "medium", "high", "critical"}

func (u Urgency) String() string { return urgencies[u] }

// ParseUrgency finds an urgency by its word.
func ParseUrgency(word string) (Urgency, error) {
	i, err := oneOf(word, urgencies[:])
	return Urgency(i), err
}

// Alerting is when people hear of a machine. Nil: nobody said, what is built in
// applies.
type Alerting struct {
	OnDelay      [NumUrgencies]*time.Duration // a finding lasts this long before anybody is told
	OffDelay     *time.Duration               // it stays cleared this long before the alert returns to normal
	RestockDelay *time.Duration               // product may be over its warm limit this long while warm stock is cooled down
	Deadband     *quantity.Kelvin             // how far inside its limit product must be before it counts as back
	FalseAlarms  *float64                     // wanted, a machine and year
	AtLeast      *Urgency                     // no alert of the machine is less urgent
	AtMost       *Urgency                     // or more urgent
	Quiet        *Quiet                       // what is not urgent waits until these hours are over
}

// Quiet is a time of every day, by the site's clock, in minutes after midnight.
// From may be after To: it then lasts over midnight. Equal: never quiet.
type Quiet struct{ From, To int }

// String writes the hours as the fleet file has them.
func (q Quiet) String() string {
	if q.From == q.To {
		return "none"
	}
	return fmt.Sprintf("%02d:%02d-%02d:%02d", q.From/60, q.From%60, q.To/60, q.To%60)
}

// Until reports whether t, in the site's time zone, is in the quiet hours, and
// when they end.
func (q *Quiet) Until(t time.Time) (end time.Time, quiet bool) {
	if q == nil || q.From == q.To {
		return t, false
	}
	y, m, d := t.Date()
	minute := t.Hour()*60 + t.Minute()
	switch {
	case q.From < q.To && minute >= q.From && minute < q.To, q.From > q.To && minute < q.To:
		return time.Date(y, m, d, 0, q.To, 0, 0, t.Location()), true
	case q.From > q.To && minute >= q.From:
		return time.Date(y, m, d+1, 0, q.To, 0, 0, t.Location()), true
	}
	return t, false
}

// inherit takes what a stronger level sets.
func (a *Alerting) inherit(from *Alerting, set func(Field)) {
	for u := range a.OnDelay {
		inheritPointer(&a.OnDelay[u], from.OnDelay[u], set, FieldOnDelay+Field(u))
	}
	inheritPointer(&a.OffDelay, from.OffDelay, set, FieldOffDelay)
	inheritPointer(&a.RestockDelay, from.RestockDelay, set, FieldRestockDelay)
	inheritPointer(&a.Deadband, from.Deadband, set, FieldDeadband)
	inheritPointer(&a.FalseAlarms, from.FalseAlarms, set, FieldFalseAlarms)
	inheritPointer(&a.AtLeast, from.AtLeast, set, FieldAtLeast)
	inheritPointer(&a.AtMost, from.AtMost, set, FieldAtMost)
	inheritPointer(&a.Quiet, from.Quiet, set, FieldQuietHours)
}

var (
	alertingKeys = []string{"on_delay", "off_delay", "restock_delay", "deadband", "false_alarms", "priority", "quiet_hours"}
	priorityKeys = []string{"at_least", "at_most"}
)

// Longest delays that are taken. What is more urgent may wait less: common
// practice, no source. A vending machine's air may pass 5 °C for 30 min after it
// was filled (FDA Food Code 4-204.111): a critical alert never waits longer.
var longestOn = [NumUrgencies]time.Duration{24 * time.Hour, 12 * time.Hour, 2 * time.Hour, 30 * time.Minute}

// readAlerting takes the section alerting.
func (s *settings) readAlerting(v value) {
	a := &s.alerting
	for _, e := range v.entries(v.what, alertingKeys) {
		v := e.value
		switch e.key {
		case "on_delay":
			for _, d := range v.entries(v.what, urgencies[:]) {
				u, err := ParseUrgency(d.key)
				if err != nil {
					continue // reported by entries
				}
				a.OnDelay[u] = d.value.duration(longestOn[u])
				s.line[FieldOnDelay+Field(u)] = d.value.line
			}
		case "off_delay":
			a.OffDelay, s.line[FieldOffDelay] = v.duration(24*time.Hour), v.line
		case "restock_delay":
			a.RestockDelay, s.line[FieldRestockDelay] = v.duration(24*time.Hour), v.line
		case "deadband":
			a.Deadband = readNumber[quantity.Kelvin](v, 0, 5, " K", "write a difference in K, such as 0.5")
			s.line[FieldDeadband] = v.line
		case "false_alarms":
			a.FalseAlarms = readNumber[float64](v, 0.01, 100, " a machine and year", "write how many needless alerts of one machine in a year are accepted, such as 1")
			s.line[FieldFalseAlarms] = v.line
		case "priority":
			for _, p := range v.entries(v.what, priorityKeys) {
				u := readWord(p.value, ParseUrgency)
				if p.key == "at_least" {
					a.AtLeast, s.line[FieldAtLeast] = u, p.value.line
				} else {
					a.AtMost, s.line[FieldAtMost] = u, p.value.line
				}
			}
		case "quiet_hours":
			a.Quiet, s.line[FieldQuietHours] = readWord(v, parseQuiet), v.line
		}
	}
}

// parseQuiet reads "22:00-06:00", or "none".
func parseQuiet(text string) (Quiet, error) {
	if text == "none" {
		return Quiet{}, nil
	}
	from, to, ok := strings.Cut(text, "-")
	f, fok := parseMinute(from)
	t, tok := parseMinute(to)
	if !ok || !fok || !tok || f == 1440 || f == t {
		return Quiet{}, fmt.Errorf("%q are no quiet hours; write 22:00-06:00, or none", text)
	}
	return Quiet{f, t % 1440}, nil
}

// duration reads a delay of at most longest, such as 10m, 2h30m, 10 min or 0.
func (v value) duration(longest time.Duration) *time.Duration {
	w, ok := v.word()
	if !ok {
		return nil
	}
	d, err := ParseDelay(w)
	switch {
	case err != nil:
		v.r.problem(v.line, "%s %v", v.what, err)
		return nil
	case d > longest:
		v.r.problem(v.line, "%s %s is more than %s; write a shorter delay", v.what, Delay(d), Delay(longest))
		return nil
	}
	return &d
}

// ParseDelay reads a delay as people and files write it: 90s, 10m, 10 min, 6 h,
// 2 h 30 min, 0.
func ParseDelay(text string) (time.Duration, error) {
	t := strings.ReplaceAll(strings.ToLower(text), " ", "")
	t = strings.NewReplacer("minutes", "m", "minute", "m", "mins", "m", "min", "m", "hours", "h", "hour", "h", "hrs", "h", "hr", "h").Replace(t)
	d, err := time.ParseDuration(t)
	if err != nil || d < 0 || d%time.Second != 0 {
		return 0, fmt.Errorf("%q is no delay; write 90s, 10m or 2h30m", text)
	}
	return d, nil
}

// Delay writes a delay as ParseDelay reads it, in the shortest form.
func Delay(d time.Duration) string {
	s := d.String()
	if cut, is := strings.CutSuffix(s, "m0s"); is {
		s = cut + "m"
	}
	if cut, is := strings.CutSuffix(s, "h0m"); is {
		s = cut + "h"
	}
	return s
}

func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
