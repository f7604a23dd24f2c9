package detect_test

import (
	"math"
	"math/rand/v2"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

const (
	minute = collector.Millis(60_000)
	hour   = 60 * minute
	day    = 24 * hour
)

// midnight is some midnight, UTC.
const midnight = collector.Millis(1_760_000_000_000 / 86_400_000 * 86_400_000)

// cabinet is a drinks cooler of two lumps, air and product, under a thermostat
// on the air: as simple as it may be and still cycle, warm up and freeze.
type cabinet struct {
	rng          *rand.Rand
	at           collector.Millis
	air, product float64 // °C
	on           bool
	since        float64 // minutes in this state

	condBlocked bool    // condenser
	powerLost   bool    // and the controller reports on from its battery
	stuckOn     bool    // thermostat
	lifted      float64 // K by which the thermostat stands higher than it was set
	has         collector.ChannelSet
}

func newCabinet(seed uint64) *cabinet {
	return &cabinet{rng: rand.New(rand.NewPCG(seed, 7)), at: midnight, air: 3.5, product: 3.5,
		has: 1<<collector.CabinetAir | 1<<collector.SupplyAir | 1<<collector.CoilIn | 1<<collector.CoilOut | 1<<collector.Condenser |
			1<<collector.Ambient | 1<<collector.CompressorCurrent | 1<<collector.EvapFanCurrent | 1<<collector.MainsVoltage}
}

// Walls of 5 W/K, 25 W/K between air and product, 30 and 600 kJ/K: the cabinet
// of the closed form in detect/thermal's tests.
const (
	walls, film      = 5.0, 25.0 // W/K
	airMass, canMass = 30e3, 600e3
	cooling          = 300.0 // W
)

func (c *cabinet) ambient() float64 {
	return 24 + 2*math.Sin(2*math.Pi*float64(c.at%day)/float64(day))
}

// next lets a minute pass and returns what is read at its end.
func (c *cabinet) next() collector.Reading {
	c.at += minute
	amb := c.ambient()
	runs := c.on && !c.powerLost
	q := 0.0
	if runs {
		q = cooling * (1 - 0.008*(amb-24))
		if c.condBlocked {
			q *= 0.6
		}
	}
	for range 60 {
		flow := film * (c.air - c.product)
		c.air += (walls*(amb-c.air) - flow - q) / airMass
		c.product += flow / canMass
	}
	c.since++
	switch {
	case c.stuckOn && !c.on, c.air >= 5+c.lifted && !c.on, c.air <= 2+c.lifted && c.on && !c.stuckOn:
		c.on, c.since = !c.on, 0
	}
	return c.read(amb)
}

func (c *cabinet) read(amb float64) collector.Reading {
	r := collector.Reading{Machine: "cab-1", Site: "site-1", At: c.at, Received: c.at + 300, Has: c.has}
	v := &r.Value
	probe := func(x float64) float64 { return math.Round((x+0.05*c.rng.NormFloat64())*10) / 10 }
	runs := c.on && !c.powerLost
	settled, decayed := 1-math.Exp(-(c.since+0.5)/3), math.Exp(-(c.since+0.5)/3)
	gap, lift, supply := 8.0, 16.0, 6.0
	if c.condBlocked {
		gap, lift, supply = 6, 30, 4
	}
	k := decayed
	if runs {
		k = settled
	}
	if c.powerLost {
		k = 0
	}
	v[collector.CabinetAir] = probe(c.air)
	v[collector.SupplyAir] = probe(c.air - supply*k)
	v[collector.CoilOut] = probe(c.air - gap*k)
	v[collector.CoilIn] = probe(c.air - (gap+1)*k)
	v[collector.Ambient] = probe(amb)
	v[collector.Condenser] = probe(amb + lift*k)
	v[collector.MainsVoltage] = math.Round(230 + 1.5*c.rng.NormFloat64())
	v[collector.EvapFanCurrent] = math.Round((0.1+0.002*c.rng.NormFloat64())*1000) / 1000
	if runs {
		v[collector.CompressorCurrent] = math.Round((1.6+0.012*(lift-16)+0.02*c.rng.NormFloat64())*100) / 100
	}
	if c.powerLost {
		v[collector.EvapFanCurrent] = 0
	}
	if c.powerLost {
		v[collector.MainsVoltage] = 0
	}
	return r
}

// live returns the readings of the next n minutes.
func (c *cabinet) live(n collector.Millis) (rs []collector.Reading) {
	for range n / minute {
		rs = append(rs, c.next())
	}
	return rs
}

// repair puts right what is wrong: half an hour unplugged, when nothing is heard.
func (c *cabinet) repair() {
	c.condBlocked, c.powerLost = false, true
	c.live(30 * minute)
	c.powerLost = false
}

// story is two good days, eight hours with the condenser blocked and sixteen
// hours after it was cleaned.
func story(seed uint64) (rs []collector.Reading, from, to collector.Millis) {
	c := newCabinet(seed)
	rs = c.live(2 * day)
	from = c.at
	c.condBlocked = true
	rs = append(rs, c.live(8*hour)...)
	c.repair()
	to = c.at
	return append(rs, c.live(16*hour)...), from, to
}

func spec() *fleet.Machine {
	return &fleet.Machine{ID: "cab-1", Site: "site-1", Kind: fleet.GlassDoor, Product: fleet.SealedBeverage,
		Limits: fleet.SealedBeverage.Limits(), EvaporatorFan: fleet.FanContinuous}
}

var library = detect.NewLibrary()

func newMachine() *detect.Machine { return detect.NewMachine(spec(), library) }

// play steps a machine through readings as the pipeline does.
func play(m *detect.Machine, rs []collector.Reading) (fs []detect.Finding) {
	emit := func(f *detect.Finding) { fs = append(fs, *f) }
	for i := range rs {
		m.Step(&rs[i], rs[i].Received, emit)
		m.Advance(rs[i].Received, emit)
	}
	return fs
}
