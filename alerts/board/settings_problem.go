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

// concerns reports whether a problem is about a setting.
func concerns(p *fleet.Problem, row *fleet.Setting) bool {
	if p.Fields != nil {
		return slices.Contains(p.Fields, row.Field)
	}
	_, rest, found := strings.Cut(p.Text, ": "+keyWords(row.Key))
	return found && (strings.HasPrefix(rest, " ") || strings.HasPrefix(rest, ": "))
}

var (
	fromTo    = regexp.MustCompile(`\b(outside|limits) (-?\d+(?:\.\d+)?) (to|and) (-?\d+(?:\.\d+)?) (°C|K)\b`)
	delayText = regexp.MustCompile(`\b(?:\d+h)?(?:\d+m)?(?:\d+s)?\b`)
)

// settingProblems puts what is wrong with settings typed at a place into the
// reader's units and the words of the form. What is said of many machines is said
// once.
func (r Reader) settingProblems(problems []fleet.Problem, at fleet.Scope, machines int) []string {
	type said struct {
		text string
		of   []string
	}
	var all []said
	for i := range problems {
		p := &problems[i]
		text := p.Text
		if p.Machine != "" {
			text = strings.TrimPrefix(text, fmt.Sprintf("machine %q: ", p.Machine))
		} else if i := slices.IndexFunc(fleet.Settings, func(s fleet.Setting) bool { return s.At(at.Level) && concerns(p, &s) }); i >= 0 {
			row := &fleet.Settings[i]
			_, rest, _ := strings.Cut(text, ": "+keyWords(row.Key))
			text = row.Title + ": " + strings.TrimLeft(rest, ": ")
		}
		text = r.problemUnits(text)
		i := slices.IndexFunc(all, func(s said) bool { return s.text == text })
		if i < 0 {
			i = len(all)
			all = append(all, said{text: text})
		}
		if p.Machine != "" && p.Machine != at.Machine {
			all[i].of = append(all[i].of, p.Machine)
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
