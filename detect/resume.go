package detect

import "coilward/collector"

// Resume is Advance where nobody listened for a while until the pipeline time
// since: a machine may have spoken meanwhile, so its silence is judged only
// once it could have been heard for as long as silence takes to be noticed.
// What is said then counts from its last word, as ever.
func (m *Machine) Resume(since, now collector.Millis, emit func(*Finding)) {
	s := &m.s
	s.Listening = max(s.Listening, since)
	if s.Heard < since && now-since < m.silentAfter() && !s.Open[slotSilence].Is {
		s.Now = max(s.Now, now)
		return
	}
	m.Advance(now, emit)
}
