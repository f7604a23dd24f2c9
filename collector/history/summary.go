package history

import (
	"math/bits"
	"slices"

	"coilward/collector"
)

const (
	// SummaryMillis is the time a summary covers.
	SummaryMillis = 15 * 60_000

	summariesADay = hoursADay * hourMillis / SummaryMillis
	slotMillis    = 5000 // half of the shortest interval machines are asked to send at
	mostExtras    = 64   // names of channels beside the table that one summary takes
)

// Summary is what is left of the readings that one machine measured in a
// quarter of an hour, once they are old.
type Summary struct {
	Machine, Site   string
	Start           collector.Millis // a whole quarter of an hour of UTC
	Readings        int              // statuses included
	Online, Offline int              // statuses
	Has             collector.ChannelSet
	Channel         [collector.NumChannels]Figures // of what Has holds
	Extra           []ExtraFigures                 // of numbers beside the channels, by name; texts are not kept

	slots slots
}

// ExtraFigures are the figures of a channel that is not in the table.
type ExtraFigures struct {
	Name, Unit string
	Figures
}

// End is when the quarter of an hour is over.
func (m *Summary) End() collector.Millis { return m.Start + SummaryMillis }

// slots says in which five seconds of the quarter of an hour a reading was
// measured. A reading that comes again when those before it are summed up
// already is known by it.
type slots [(SummaryMillis/slotMillis + 63) / 64]uint64

func slotOf(at collector.Millis) int { return int(floorMod(at, SummaryMillis) / slotMillis) }

func (s *slots) has(n int) bool { return s[n/64]>>(n%64)&1 != 0 }
func (s *slots) set(n int)      { s[n/64] |= 1 << (n % 64) }

func (s *slots) count() (n int) {
	for _, word := range s {
		n += bits.OnesCount64(word)
	}
	return n
}

func floorMod(at collector.Millis, n collector.Millis) collector.Millis {
	if at %= n; at < 0 {
		at += n
	}
	return at
}

// summaryStart returns when the quarter of an hour begins that at is in.
func summaryStart(at collector.Millis) collector.Millis { return at - floorMod(at, SummaryMillis) }

// take adds a reading.
func (m *Summary) take(r *collector.Reading) {
	m.Site = r.Site
	m.Readings++
	m.slots.set(slotOf(r.At))
	switch r.Status {
	case collector.Online:
		m.Online++
	case collector.Offline:
		m.Offline++
	}
	for c := range r.Has.All {
		if m.Channel[c].add(r.Value[c]); m.Channel[c].Count > 0 {
			m.Has = m.Has.With(c)
		}
	}
	for i := range r.Extra {
		x := &r.Extra[i]
		if x.Text != "" {
			continue
		}
		e := m.extra(x.Name)
		if e == nil {
			continue
		}
		if e.add(x.Value); x.Unit != "" {
			e.Unit = x.Unit
		}
	}
}

// extra returns the figures of a name, nil if there are too many names.
func (m *Summary) extra(name string) *ExtraFigures {
	i, ok := slices.BinarySearchFunc(m.Extra, name, func(e ExtraFigures, name string) int { return compareStrings(e.Name, name) })
	if !ok {
		if len(m.Extra) >= mostExtras {
			return nil
		}
		m.Extra = slices.Insert(m.Extra, i, ExtraFigures{Name: name})
	}
	return &m.Extra[i]
}

// merge adds another summary of the same quarter of an hour.
func (m *Summary) merge(o *Summary) {
	m.Site = o.Site
	m.Readings += o.Readings
	m.Online += o.Online
	m.Offline += o.Offline
	m.Has |= o.Has
	for c := range o.Has.All {
		m.Channel[c].merge(&o.Channel[c])
	}
	for i := range o.Extra {
		if e := m.extra(o.Extra[i].Name); e != nil {
			e.merge(&o.Extra[i].Figures)
			e.Unit = o.Extra[i].Unit
		}
	}
	for i := range m.slots {
		m.slots[i] |= o.slots[i]
	}
}
