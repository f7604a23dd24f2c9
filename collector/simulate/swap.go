package simulate

import (
	"hash/fnv"
	"math/rand/v2"

	"coilward/collector"
)

// swap is a temperature sensor that is replaced: its channel is silent while the
// hand is at it, and from then on the new probe is off by another amount.
type swap struct {
	from, to float64 // s
	channel  collector.Channel
	step     float64 // K between the new probe's error and the old one's
}

// apart returns a source for what is drawn of a machine beside all else, so that all
// else stays as it was.
func apart(o *Options, of string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(of))
	return rand.New(rand.NewPCG(o.Seed, h.Sum64()))
}

// drawSwaps draws from a source of its own, so that a fleet without swaps is
// otherwise the same.
func drawSwaps(o *Options, id string, has collector.ChannelSet) []swap {
	r := apart(o, id)
	var temps []collector.Channel
	for c := range has.All {
		if c.IsTemperature() {
			temps = append(temps, c)
		}
	}
	if len(temps) == 0 || r.Float64() >= o.SwapShare {
		return nil
	}
	at := between(r, 0.35, 0.9) * float64(o.Days) * 86400
	step := between(r, 1, 3)
	if r.Float64() < 0.5 {
		step = -step
	}
	return []swap{{from: at, to: at + 60*between(r, 1, 20), channel: temps[r.IntN(len(temps))], step: step}}
}

// swap changes an instant for the sensors that have been replaced by then.
func (m *Machine) swap(in *instant) {
	for _, s := range m.swaps {
		switch {
		case !in.has.Has(s.channel) || in.at < s.from:
		case in.at < s.to:
			in.has &^= 1 << s.channel
		default:
			in.v[s.channel] = round(in.v[s.channel]+s.step, m.sampler.Quant)
		}
	}
}
