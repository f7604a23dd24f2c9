package detect

import (
	"math"

	"coilward/collector"
	"coilward/detect/diagnose"
	"coilward/detect/life"
)

// When a state of the filter is taken for something that happened, and when for
// over.
const (
	happens = 0.6
	isOver  = 0.3
)

// lastLink is the shortest silence that goes on the timeline, ms.
const lastLink = 15 * 60000

// live lets the timeline see a reading, after the tracker has.
func (m *Machine) live(r *collector.Reading, well float64) {
	s := &m.s
	m.load(r, well)
	in, out, ok := s.Track.Band()
	if !ok {
		in, out = math.NaN(), math.NaN()
	}
	s.Life.Observe(&life.Input{Reading: r, Run: &s.Track.Run, In: float32(in), Out: float32(out), Interval: s.Interval})
}

// ordinaryLife notes what the filter takes for ordinary.
func (m *Machine) ordinaryLife(q *[diagnose.NumStates]float64, at collector.Millis) {
	book := &m.s.Life
	for _, x := range [...]struct {
		state diagnose.State
		kind  HappeningKind
	}{{diagnose.WarmLoad, Restock}, {diagnose.Unplugged, Cleaning}, {diagnose.Resettled, SetpointMoved}} {
		lasts := book.Lasting(x.kind) != nil
		switch {
		case !lasts && q[x.state] > happens:
			book.Note(x.kind, at, 0, 0)
		case lasts && q[x.state] < isOver:
			book.End(x.kind, at)
		}
	}
}

// lastFilled is when the newest restock on the timeline began, 0 if there is none.
func (m *Machine) lastFilled() (at collector.Millis) {
	for e := range m.s.Life.Each {
		if e.Kind == Restock {
			at = max(at, e.From())
		}
	}
	return at
}

// silenceOver puts a silence from one pipeline time to another on the timeline.
func (m *Machine) silenceOver(from, until collector.Millis) {
	if from = max(from, m.s.Listening); until-from >= lastLink {
		m.s.Life.Note(LinkOutage, from, until, float32(until-from)/60000)
	}
}

func (m *Machine) happenings() (out []Happening) {
	for e := range m.s.Life.Each {
		out = append(out, Happening{Kind: e.Kind, From: e.From(), To: e.To(), Text: e.Text()})
	}
	return out
}
