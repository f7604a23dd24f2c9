package fleet

import (
	"reflect"
	"time"
)

// SameForModels reports whether a model that was told of one of two fleets would
// say the same under the other: they differ in nothing but when and how people are
// told.
func SameForModels(f, g *Fleet) bool {
	if f.Len() != g.Len() {
		return false
	}
	for m := range f.All {
		n, ok := g.machines[m.ID]
		if !ok || !reflect.DeepEqual(m.forModels(), n.forModels()) {
			return false
		}
	}
	return true
}

// forModels is a machine without what concerns its alerts alone.
func (m *Machine) forModels() Machine {
	n := *m
	n.own, n.origins = nil, [NumFields]origin{}
	a := &n.Alerting
	a.OnDelay, a.OffDelay, a.AtLeast, a.AtMost, a.Quiet = [NumUrgencies]*time.Duration{}, nil, nil, nil, nil
	return n
}
