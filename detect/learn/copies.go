package learn

import (
	"hash/fnv"
	"math"

	"coilward/collector"
)

// Copy is a way to make another fleet of a labelled one: the same machines as
// they would be seen through fewer channels, coarser steps or longer intervals.
// A fleet teaches only the sets of channels it has; its copies teach others.
type Copy struct {
	Name   string
	Weight float64 // of that of the original

	of func(machine uint64, has collector.ChannelSet) (Seen, bool)
}

// Seen is how much of a machine a copy sees.
type Seen struct {
	Channels collector.ChannelSet
	Interval collector.Millis // 0: every reading
	Step     float64          // K, of temperatures; 0: as they are

	last  collector.Millis
	begun bool
}

// Of returns what the copy sees of a machine that has some channels; false if
// the machine is not in the copy, because it would not differ or cannot serve.
func (c *Copy) Of(machine string, has collector.ChannelSet) (Seen, bool) {
	h := fnv.New64a()
	h.Write([]byte(machine))
	return c.of(mixed(h.Sum64()), has)
}

// mixed spreads a hash over all its bits, so that remainders of it are as good
// as drawn by lot (the finisher of MurmurHash3).
func mixed(h uint64) uint64 {
	h = (h ^ h>>33) * 0xff51afd7ed558ccd
	h = (h ^ h>>33) * 0xc4ceb9fe1a85ec53
	return h ^ h>>33
}

func set(channels ...collector.Channel) (s collector.ChannelSet) {
	for _, c := range channels {
		s = s.With(c)
	}
	return s
}

// The sets that machines are fitted with most.
var (
	basicSet    = set(collector.CabinetAir, collector.MainsCurrent)
	standardSet = set(collector.CabinetAir, collector.CoilOut, collector.CompressorCurrent, collector.Ambient, collector.Door)
)

const second = collector.Millis(1000)

// Copies returns the copies that are made of a reference fleet.
func Copies() []Copy {
	return []Copy{
		{Name: "basic", Weight: 0.35, of: func(_ uint64, has collector.ChannelSet) (Seen, bool) {
			return Seen{Channels: basicSet}, has.Has(collector.MainsCurrent) && has != basicSet
		}},
		{Name: "standard", Weight: 0.3, of: func(_ uint64, has collector.ChannelSet) (Seen, bool) {
			return Seen{Channels: standardSet}, has&standardSet == standardSet && has != standardSet
		}},
		{Name: "mix", Weight: 0.5, of: func(h uint64, has collector.ChannelSet) (Seen, bool) {
			lost := [...]collector.ChannelSet{set(collector.Ambient), set(collector.CoilOut), set(collector.Door, collector.CoilIn)}[h%3]
			return Seen{
				Channels: has &^ lost,
				Interval: [...]collector.Millis{0, 300 * second, 180 * second, 120 * second}[h/3%4],
				Step:     [...]float64{0, 0.5, 0.2}[h/12%3],
			}, true
		}},
		{Name: "slow", Weight: 0.5, of: func(h uint64, has collector.ChannelSet) (Seen, bool) {
			return Seen{
				Channels: has,
				Interval: [...]collector.Millis{300 * second, 180 * second}[h%2],
				Step:     [...]float64{0.5, 0.2}[h/2%2],
			}, true
		}},
	}
}

// slack is how much early a reading may come and still be the next.
const slack = 5 * second

// See reduces a reading, in order of event time, to what is seen of it; false
// if nothing is.
func (s *Seen) See(r *collector.Reading) bool {
	r.Has &= s.Channels
	if r.Has == 0 || s.Interval > 0 && s.begun && r.At-s.last < s.Interval-slack {
		return false
	}
	s.last, s.begun = r.At, true
	if s.Step > 0 {
		for c := range r.Has.All {
			if c.IsTemperature() {
				r.Value[c] = math.Round(r.Value[c]/s.Step) * s.Step
			}
		}
	}
	return true
}
