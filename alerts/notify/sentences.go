package notify

import (
	"cmp"
	"errors"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// hole stands in a sentence for what differs each time: a name, a time.
const hole = "{}"

// sentences puts whole sentences of other packages into another language: those of
// the checks at the machine, of the food rules, of what a report is refused with. One
// that is not known stays English, as a piece of evidence does.
type sentences struct {
	whole map[string]string
	holed []holed // the one with the most of its own text first
}

type holed struct {
	english *regexp.Regexp
	own     []string // what stands between the holes
}

func readSentences(lang string, layers []layer) (*sentences, error) {
	by, bad := pairs(lang, sentencesFile, layers)
	s := &sentences{whole: map[string]string{}}
	for _, english := range slices.SortedFunc(maps.Keys(by), func(a, b string) int { return cmp.Or(cmp.Compare(len(b), len(a)), cmp.Compare(a, b)) }) {
		if !strings.Contains(english, hole) {
			s.whole[english] = by[english]
			continue
		}
		parts := strings.Split(english, hole)
		for i := range parts {
			parts[i] = regexp.QuoteMeta(parts[i])
		}
		s.holed = append(s.holed, holed{regexp.MustCompile("^" + strings.Join(parts, "(.+?)") + "$"), strings.Split(by[english], hole)})
	}
	return s, errors.Join(bad...)
}

// say puts each line of a text into the language. What fills a hole is put in as it
// is, or as the sentence it is.
func (s *sentences) say(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		lines[i] = s.line(line)
	}
	return strings.Join(lines, "\n")
}

func (s *sentences) line(text string) string {
	if own, ok := s.whole[text]; ok {
		return own
	}
	for _, h := range s.holed {
		m := h.english.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		var out strings.Builder
		for i, between := range h.own {
			out.WriteString(between)
			if i < len(m)-1 {
				if own, ok := s.whole[m[i+1]]; ok {
					out.WriteString(own)
				} else {
					out.WriteString(m[i+1])
				}
			}
		}
		return out.String()
	}
	return text
}
