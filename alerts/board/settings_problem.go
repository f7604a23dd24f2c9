package board

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"coilward/collector/fleet"
)

// keyWords is a key as problems name it.
func keyWords(key string) string { return strings.ReplaceAll(key, ".", ": ") }

// contradiction is how a problem of a machine names a field, where two values that
// are each good by themselves contradict each other.
func contradiction(row *fleet.Setting) string {
	switch f := row.Field; {
	case f == fleet.FieldWarmLimit:
		return "warm limit"
	case f == fleet.FieldColdLimit:
		return "cold limit"
	case f == fleet.FieldDeadband:
		return ": deadband "
	case f == fleet.FieldAtLeast:
		return ": priority at_least "
	case f == fleet.FieldAtMost:
		return " at_most "
	case f >= fleet.FieldOnDelay && f <= fleet.FieldOnDelayCritical:
		return " of " + fleet.Urgency(f-fleet.FieldOnDelay).String() + ", "
	}
	return ""
}

// concerns reports whether a problem is about a setting.
func concerns(problem string, row *fleet.Setting) bool {
	if strings.Contains(problem, ": "+keyWords(row.Key)+" ") || strings.Contains(problem, ": "+keyWords(row.Key)+": ") {
		return true
	}
	words := contradiction(row)
	return words != "" && strings.HasPrefix(problem, "machine ") && strings.Contains(problem, words)
}

var (
	ofMachine = regexp.MustCompile(`^machine "([^"]+)": (.*)$`)
	fromTo    = regexp.MustCompile(`\b(outside|limits) (-?\d+(?:\.\d+)?) (to|and) (-?\d+(?:\.\d+)?) (°C|K)\b`)
	delayText = regexp.MustCompile(`\b(?:\d+h)?(?:\d+m)?(?:\d+s)?\b`)
)

// settingProblems puts what is wrong with settings typed at a place into the
// reader's units and the words of the form. What is said of many machines is said
// once.
func (r Reader) settingProblems(problems []string, at fleet.Scope, machines int) []string {
	type said struct {
		text string
		of   []string
	}
	var all []said
	for _, p := range problems {
		text, machine := p, ""
		if m := ofMachine.FindStringSubmatch(p); m != nil && at.Machine == "" {
			machine, text = m[1], m[2]
		} else if i := slices.IndexFunc(fleet.Settings, func(s fleet.Setting) bool { return s.At(at.Level) && concerns(p, &s) }); i >= 0 && m == nil {
			row := &fleet.Settings[i]
			_, rest, _ := strings.Cut(p, ": "+keyWords(row.Key))
			text = row.Title + ": " + strings.TrimLeft(rest, ": ")
		} else if m != nil {
			text = m[2]
		}
		text = r.problemUnits(text)
		i := slices.IndexFunc(all, func(s said) bool { return s.text == text })
		if i < 0 {
			i = len(all)
			all = append(all, said{text: text})
		}
		if machine != "" {
			all[i].of = append(all[i].of, machine)
		}
	}
	var out []string
	for _, s := range all {
		switch n := len(s.of); {
		case n == 1:
			s.text = s.of[0] + ": " + s.text
		case n > 1 && n == machines:
			s.text = fmt.Sprintf("All %d machines: %s", n, s.text)
		case n > 1:
			s.text = fmt.Sprintf("%d machines, among them %s: %s", n, s.of[0], s.text)
		}
		out = append(out, s.text)
	}
	return out
}

// problemUnits writes temperatures as the reader reads them, and delays as the form
// has them.
func (r Reader) problemUnits(text string) string {
	text = delayText.ReplaceAllStringFunc(text, func(d string) string {
		if d == "" {
			return d
		}
		return delayWords(d)
	})
	if !r.Fahrenheit {
		return text
	}
	text = fromTo.ReplaceAllString(text, "$1 $2 $5 $3 $4 $5") // each with its unit
	text = strings.ReplaceAll(text, "in °C", "in °F")
	text = strings.ReplaceAll(text, "in K, such as 0.5", "in °F, such as 0.9")
	return r.sentence(text)
}
