package simulate

import (
	"math"
	"math/rand/v2"

	"coilward/collector"
	"coilward/detect/fault"
)

// probe is one sensor: what it adds to the truth.
type probe struct {
	bias, gain, noise, quant float64
	alpha                    float64 // share of a change that it follows in one step
	felt                     float64
	stuck                    float64 // the value it is stuck at; NaN until then
	seen                     bool
}

// Sampler reads a cabinet's sensors.
type Sampler struct {
	Has    collector.ChannelSet
	Quant  float64 // K, of the temperatures
	probes [collector.NumChannels]probe
	rng    *rand.Rand
}

// drawSampler draws sensors for the channels has.
func drawSampler(r *rand.Rand, has collector.ChannelSet) *Sampler {
	s := &Sampler{Has: has, rng: rand.New(rand.NewPCG(r.Uint64(), r.Uint64()))}
	s.Quant = []float64{0.1, 0.1, 0.1, 0.25, 0.5, 0.0625}[r.IntN(6)]
	amps := []float64{0.01, 0.01, 0.02, 0.05, 0.1}[r.IntN(5)]
	for c := range collector.Channel(collector.NumChannels) {
		p := &s.probes[c]
		p.gain, p.alpha, p.stuck = 1, 1, math.NaN()
		tau := 0.0
		switch c {
		case collector.CabinetAir, collector.SupplyAir:
			tau = between(r, 20, 200)
		case collector.CoilIn, collector.CoilOut, collector.Condenser, collector.CompressorShell:
			tau = between(r, 10, 70)
		case collector.Ambient:
			tau = between(r, 30, 400)
		}
		if c.IsTemperature() {
			p.bias = math.Max(-1.2, math.Min(1.2, 0.45*r.NormFloat64()))
			p.noise, p.quant = between(r, 0.01, 0.12), s.Quant
			p.alpha = 1 - math.Exp(-stepSeconds/tau)
		}
		switch c {
		case collector.Humidity:
			p.bias, p.noise, p.quant, p.alpha = 4*r.NormFloat64(), 0.5, 1, 0.02
		case collector.CompressorCurrent, collector.MainsCurrent, collector.EvapFanCurrent, collector.CondFanCurrent:
			p.gain, p.noise, p.quant = 1+0.025*r.NormFloat64(), 0.008, amps
			if c != collector.CompressorCurrent && c != collector.MainsCurrent {
				p.quant = math.Min(amps, 0.02)
			}
		case collector.MainsVoltage:
			p.gain, p.noise, p.quant = 1+0.006*r.NormFloat64(), 0.3, 0.1
		case collector.EvapFanSpeed, collector.CondFanSpeed:
			p.noise, p.quant = 5, 1
		case collector.Energy:
			p.quant = 1
		}
	}
	return s
}

// truth returns what channel c would read on a perfect sensor.
func (c *Cabinet) truth(ch collector.Channel, w *World, e *Effect) float64 {
	power := w.Power && !e.PowerOff
	switch ch {
	case collector.CabinetAir:
		return c.Air
	case collector.SupplyAir:
		return c.Supply
	case collector.CoilIn:
		// The probe sits where the tube comes in, and feels what boils there; a dry tube
		// has the temperature of its metal.
		wet := 0.25 * math.Min(1, segments*c.WettedShare())
		return (1-wet)*c.Coil[0] + wet*math.Min(c.Coil[0], c.Evaporating)
	case collector.CoilOut:
		return c.Coil[segments-1]
	case collector.Condenser:
		return c.Condensing
	case collector.CompressorShell:
		return c.Shell
	case collector.Ambient:
		return w.Room + 0.7*(c.Inlet-w.Room)
	case collector.Humidity:
		return math.Min(100, 100*w.Humidity/satHumidity(w.Room))
	case collector.CompressorCurrent:
		return c.CompAmps
	case collector.MainsCurrent:
		return c.MainsAmps
	case collector.MainsVoltage:
		if !power {
			return 0
		}
		return w.Volts
	case collector.EvapFanCurrent:
		return c.EvapAmps
	case collector.CondFanCurrent:
		return c.CondAmps
	case collector.EvapFanSpeed:
		return c.EvapRPM
	case collector.CondFanSpeed:
		return c.CondRPM
	case collector.CompressorCall:
		return truthOf(c.Call)
	case collector.Door:
		return truthOf(w.Door > 0.5 || e.doorSeen())
	case collector.Energy:
		return c.EnergyWh
	}
	return 0
}

func truthOf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// follow lets the sensors follow the plant for one step.
func (s *Sampler) follow(c *Cabinet, w *World, e *Effect) {
	// A start is over within a step; now and then a reading falls into it.
	surge := 0.0
	if c.Started && stepSeconds*s.rng.Float64() < c.D.StartFor {
		surge = c.D.AmpsLocked*w.Volts/c.D.Volts - c.CompAmps
	}
	for ch := range s.Has.All {
		p := &s.probes[ch]
		x := c.truth(ch, w, e)
		if ch == collector.CompressorCurrent || ch == collector.MainsCurrent {
			x += surge
		}
		if !p.seen {
			p.felt, p.seen = x, true
		}
		p.felt += p.alpha * (x - p.felt)
	}
}

// read returns one instant, with the sensor faults of eps at t. A channel that
// says nothing is left out.
func (s *Sampler) read(v *[collector.NumChannels]float64, eps []Episode, t float64) collector.ChannelSet {
	has := s.Has
	for ch := range s.Has.All {
		p := &s.probes[ch]
		n := s.rng.NormFloat64()
		x := p.felt
		if !ch.IsBool() && ch != collector.Energy {
			if x != 0 || ch.IsTemperature() {
				scale := 1.0
				switch ch {
				case collector.CompressorCurrent, collector.MainsCurrent, collector.EvapFanCurrent, collector.CondFanCurrent:
					scale = math.Abs(x) + 0.1
				}
				x = x*p.gain + p.bias + p.noise*scale*n
			}
			if !ch.IsTemperature() {
				x = math.Max(0, x)
			}
			if ch == collector.Humidity {
				x = math.Min(100, x)
			}
		}
		v[ch] = x
	}
	for i := range eps {
		if eps[i].Fault == fault.SensorFault {
			has = s.spoil(v, has, &eps[i], t)
		}
	}
	for ch := range s.Has.All {
		if q := s.probes[ch].quant; q > 0 {
			v[ch] = math.Round(v[ch]/q) * q
		}
	}
	return has
}

func (s *Sampler) spoil(v *[collector.NumChannels]float64, has collector.ChannelSet, ep *Episode, t float64) collector.ChannelSet {
	sev := ep.Severity(t)
	ch := ep.Channel
	p := &s.probes[ch]
	u := s.rng.Float64()
	if sev <= 0 {
		p.stuck = math.NaN()
		return has
	}
	switch ep.Mode {
	case "stuck":
		if math.IsNaN(p.stuck) {
			p.stuck = v[ch]
		}
		v[ch] = p.stuck
	case "drift":
		v[ch] += sev * ep.Size
	case "open":
		switch {
		case ep.Extra < 0.4:
			v[ch] = -127
		case ep.Extra < 0.7:
			v[ch] = -48.5
		default:
			has &^= 1 << ch
		}
	case "short":
		v[ch] = 85
		if ep.Extra < 0.5 {
			v[ch] = 150
		}
	case "swapped":
		v[ch], v[ep.Other] = v[ep.Other], v[ch]
	case "fahrenheit":
		v[ch] = v[ch]*1.8 + 32
	case "loose":
		if u < math.Abs(ep.Size) {
			jump := 25 * s.rng.NormFloat64()
			if !ch.IsTemperature() {
				jump = math.Abs(v[ch]) * s.rng.NormFloat64()
			}
			v[ch] += jump
			if !ch.IsTemperature() {
				v[ch] = math.Max(0, v[ch])
			}
		}
	}
	return has
}
