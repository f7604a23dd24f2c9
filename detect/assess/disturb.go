package assess

import (
	"math"
	"math/rand/v2"
	"slices"

	"coilward/collector"
)

// Disturbance is a way in which telemetry is worse than it was recorded.
type Disturbance struct {
	Name string
	// Noise, of one channel: as much again as it has, which is 3 dB more power.
	Noise  []collector.Channel
	Remove []collector.Channel
	// Interval keeps no two readings closer than this, s.
	Interval float64
	// Quantum rounds temperatures to its multiples, K.
	Quantum float64
}

// Disturber applies a disturbance to the readings of one machine.
type Disturber struct {
	d    *Disturbance
	rng  *rand.Rand
	sd   [collector.NumChannels]float64
	last collector.Millis
}

// NewDisturber returns a disturber; noise is each channel's standard deviation,
// as [Noise] finds it.
func NewDisturber(d *Disturbance, noise *[collector.NumChannels]float64, seed uint64) *Disturber {
	return &Disturber{d: d, rng: rand.New(rand.NewPCG(seed, 0x6e6f697365)), sd: *noise, last: math.MinInt64 / 2}
}

// Change disturbs a reading in place, or returns false to drop it.
func (x *Disturber) Change(r *collector.Reading) bool {
	if r.Status != collector.NoStatus {
		return true
	}
	if x.d.Interval > 0 {
		// Sampled by the machine: what is kept follows its own clock, with a
		// tenth to spare for jitter.
		if r.At > x.last && r.At-x.last < collector.Millis(900*x.d.Interval) {
			return false
		}
		x.last = max(x.last, r.At)
	}
	for _, c := range x.d.Remove {
		r.Has &^= 1 << c
	}
	for _, c := range x.d.Noise {
		if r.Has.Has(c) {
			info := c.Info()
			r.Value[c] = min(max(r.Value[c]+x.rng.NormFloat64()*x.sd[c], info.Min), info.Max)
		}
	}
	if x.d.Quantum > 0 {
		for c := range r.Has.All {
			if c.IsTemperature() {
				r.Value[c] = math.Round(r.Value[c]/x.d.Quantum) * x.d.Quantum
			}
		}
	}
	return r.Has != 0
}

// NoiseMeter estimates the noise of each channel from its second differences,
// which a slow change does not enter: their variance is 6σ² for white noise
// (Gasser, Sroka and Jennen-Steinmetz, Biometrika 73, 1986). The median absolute
// difference is taken, so that switching does not enter either.
type NoiseMeter struct {
	before [collector.NumChannels][2]float64
	n      [collector.NumChannels]int
	second [collector.NumChannels][]float32
}

// mostDifferences bounds what is kept of a channel.
const mostDifferences = 4000

// Take takes a reading, in order.
func (m *NoiseMeter) Take(r *collector.Reading) {
	for c := range r.Has.All {
		if m.n[c] >= 2 && len(m.second[c]) < mostDifferences {
			m.second[c] = append(m.second[c], float32(math.Abs(r.Value[c]-2*m.before[c][1]+m.before[c][0])))
		}
		m.before[c] = [2]float64{m.before[c][1], r.Value[c]}
		m.n[c]++
	}
}

// Noise returns the standard deviations. A median of zero says that the noise is
// hidden by the steps the channel is read in; then it is that of the steps,
// q/√12, with q the smallest difference seen.
func (m *NoiseMeter) Noise() (sd [collector.NumChannels]float64) {
	for c, d := range m.second {
		if len(d) < 10 {
			continue
		}
		slices.Sort(d)
		sd[c] = float64(d[len(d)/2]) / 0.6745 / math.Sqrt(6)
		if sd[c] > 0 {
			continue
		}
		if i := slices.IndexFunc(d, func(x float32) bool { return x > 1e-4 }); i >= 0 {
			sd[c] = float64(d[i]) / math.Sqrt(12)
		}
	}
	return sd
}
