package detect

import (
	"sort"

	"coilward/collector"
	"coilward/detect/fault"
	"coilward/detect/feature"
)

// evidence picks the observations that moved the leading cause most.
func (m *Machine) evidence(o *open, v *feature.Vector) {
	type part struct {
		id feature.ID
		w  float64
	}
	var parts []part
	for i := range v.Has {
		if !v.Has[i] {
			continue
		}
		p := m.lib.table.Part(feature.ID(i), v.Value[i])
		parts = append(parts, part{feature.ID(i), float64(p[o.Fault] - p[fault.Well])})
	}
	sort.Slice(parts, func(i, j int) bool {
		if parts[i].w != parts[j].w {
			return parts[i].w > parts[j].w
		}
		return parts[i].id < parts[j].id
	})
	o.NumEvidence = 0
	var told [feature.NumFeatures]bool
	for _, p := range parts {
		if p.w < 0.2 || int(o.NumEvidence) == len(o.Evidence) {
			break
		}
		topic := p.id.Topic()
		text, ch, since := m.s.Track.Describe(p.id, v)
		if text == "" || told[topic] {
			continue
		}
		told[topic] = true
		o.Evidence[o.NumEvidence] = Evidence{Text: text, Channel: ch, Since: since, Weight: p.w}
		o.NumEvidence++
	}
	_ = collector.CabinetAir
}
