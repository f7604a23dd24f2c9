package detect

import (
	"fmt"

	"coilward/collector"
	"coilward/detect/diagnose"
)

// life is one piece of ordinary life, of fixed size.
type life struct {
	Is       bool
	Kind     HappeningKind
	From, To collector.Millis // To 0 while it lasts
}

// When a state of the filter is taken for something that happened, and when for
// over.
const (
	happens = 0.6
	isOver  = 0.3
)

// lastLink is the shortest gap between readings that goes on the timeline, ms.
const lastLink = 15 * 60000

// ordinaryLife notes what the filter takes for ordinary.
func (m *Machine) ordinaryLife(q *[diagnose.NumStates]float64, at collector.Millis) {
	for _, x := range [...]struct {
		state diagnose.State
		kind  HappeningKind
	}{{diagnose.WarmLoad, Restock}, {diagnose.Unplugged, Cleaning}, {diagnose.Resettled, SetpointMoved}} {
		open := m.lasting(x.kind)
		switch {
		case open == nil && q[x.state] > happens:
			m.note(life{Is: true, Kind: x.kind, From: at})
		case open != nil && q[x.state] < isOver:
			open.To = at
		}
	}
}

// lasting returns what of a kind has not ended.
func (m *Machine) lasting(k HappeningKind) *life {
	for i := range m.s.Life {
		if l := &m.s.Life[i]; l.Is && l.Kind == k && l.To == 0 {
			return l
		}
	}
	return nil
}

// lastFilled is when the newest restock on the timeline began, 0 if there is none.
func (m *Machine) lastFilled() (at collector.Millis) {
	for _, l := range m.s.Life {
		if l.Is && l.Kind == Restock {
			at = max(at, l.From)
		}
	}
	return at
}

// note adds to the timeline; the oldest goes.
func (m *Machine) note(l life) {
	copy(m.s.Life[:], m.s.Life[1:])
	m.s.Life[len(m.s.Life)-1] = l
}

func (m *Machine) happenings() (out []Happening) {
	for _, l := range m.s.Life {
		if l.Is {
			out = append(out, Happening{Kind: l.Kind, From: l.From, To: l.To, Text: l.text()})
		}
	}
	return out
}

func (l life) text() string {
	switch l.Kind {
	case Restock:
		return "warm product is being cooled down"
	case Cleaning:
		return "unplugged for a while, or cleaned"
	case SetpointMoved:
		return "the thermostat keeps another band"
	case LinkOutage:
		return fmt.Sprintf("nothing was measured for %d min", (l.To-l.From)/60000)
	}
	return l.Kind.String()
}
