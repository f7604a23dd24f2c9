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
	s.Sensors.Observe(r, s.Track.Run.Running)
	in, out, ok := s.Track.Band()
	if !ok {
		in, out = math.NaN(), math.NaN()
	}
	e := s.Life.Observe(&life.Input{Reading: r, Run: &s.Track.Run, In: float32(in), Out: float32(out), Interval: s.Interval, Ill: well < 0.4})
	if e != nil { // what is normal has not moved, its measure has
		s.Track.Rebase(e.Sensor())
	}
}

// ordinaryLife notes warm product, which the filter tells from a fault by all
// its features. What flickers is one piece, and what passes at once was none; while
// something is wrong nobody can say.
func (m *Machine) ordinaryLife(q *[diagnose.NumStates]float64, at collector.Millis) {
	book := &m.s.Life
	lasts := book.Lasting(Restock) != nil
	switch {
	case !lasts && q[diagnose.WarmLoad] > happens && !m.s.Open[slotMachine].Is:
		if !book.Again(Restock, at, oneFilling) {
			book.Note(Restock, at, 0, 0)
		}
	case lasts && q[diagnose.WarmLoad] < isOver:
		book.EndAfter(Restock, at, shortestFilling)
	}
}

// What of a filling hangs together, and the least that is one, ms.
const (
	oneFilling      = 4 * 3600000
	shortestFilling = 25 * 60000
)

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
	if from = max(from, m.s.Listening); until-from >= m.silenceLeast() {
		m.s.Life.Note(LinkOutage, from, until, float32(until-from)/60000)
	}
}

// silenceLeast is the shortest silence worth a line: a gateway that sends
// twenty minutes at once is silent for twenty.
func (m *Machine) silenceLeast() collector.Millis {
	return max(lastLink, collector.Millis(3*m.s.Spacing*1000))
}

func (m *Machine) happenings() (out []Happening) {
	for e := range m.s.Life.Each {
		out = append(out, Happening{Kind: e.Kind, From: e.From(), To: e.To(), Text: e.Text()})
	}
	return out
}
