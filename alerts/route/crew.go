package route

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/goccy/go-yaml"
)

// TechsJSON writes techs as they are kept.
func TechsJSON(techs []Member) ([]byte, error) {
	return yaml.MarshalWithOptions(struct {
		Techs []Member `yaml:"techs"`
	}{techs}, yaml.JSON())
}

// ParseTechs reads techs that were kept.
func ParseTechs(text []byte) ([]Member, error) {
	var kept struct {
		Techs []Member `yaml:"techs"`
	}
	if err := yaml.UnmarshalWithOptions(text, &kept, yaml.Strict()); err != nil {
		return nil, err
	}
	return kept.Techs, nil
}

// WithTechs returns the roster with other techs, checked.
func (r *Roster) WithTechs(techs []Member) (*Roster, error) {
	next := *r
	next.Techs = slices.Clone(techs)
	if err := next.Validate(); err != nil {
		return nil, err
	}
	return &next, nil
}

// Use takes parts out of a tech's van as they are used. What was not known to be
// in there is not owed: the table of a van is a help, not an account.
func Use(van map[string]int, parts map[string]int) map[string]int {
	out := maps.Clone(van)
	for name, n := range parts {
		if have, ok := out[name]; ok {
			if out[name] = max(0, have-n); out[name] == 0 {
				delete(out, name)
			}
		}
	}
	return out
}

// CheckMember says what is wrong with one tech.
func CheckMember(m *Member) error {
	var errs []error
	if m.ID == "" {
		errs = append(errs, errors.New("an id is needed, a short word such as ines"))
	}
	m.check(func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) })
	return errors.Join(errs...)
}
