package simulate

import (
	"math"

	"coilward/collector/fleet"
)

// stepSeconds is the time step of the plant.
const stepSeconds = 5.0

// World is what surrounds a cabinet for one step.
type World struct {
	Room     float64 // °C
	Humidity float64 // humidity ratio of the room, kg/kg
	Volts    float64
	Power    bool    // the supply is there
	Door     float64 // share of the step for which the door is open
	Exchange float64 // m³ of room air let in otherwise, such as by a vend
	Light    bool
	Night    bool    // the energy saver's hours
	Curtain  bool    // the night curtain is drawn
	Turned   float64 // K by which somebody turned the thermostat
	Refill   float64 // share of the product replaced in this step
	Warm     float64 // °C of what is put in
	Far      float64 // 0..1: how much of the refill goes to the far node
}

// Cabinet is the state of one plant.
type Cabinet struct {
	D *Design

	Air, Wall, Moisture float64 // °C, °C, kg/kg
	Product             [3]float64
	Coil                [segments]float64 // metal, °C
	Frost               [segments]float64 // kg
	Held                float64           // kg of meltwater that a blocked drain keeps
	Evaporating         float64           // °C
	Condensing          float64           // °C
	Liquid              float64           // kg in the evaporator
	Shell, Bimetal      float64
	dp                  float64 // kPa across the stopped compressor

	Running, Locked, Tripped, Call bool
	Started                        bool // in this step
	EvapFanOn, CondFanOn           bool
	offFor, onFor                  float64 // s
	bulb                           float64
	defrostIn, defrostLeft         float64 // s
	Defrosting                     bool

	Supply, Inlet                           float64 // °C: air leaving the coil; air entering the condenser
	CompAmps, CompWatts, MainsAmps          float64
	EvapAmps, CondAmps, EvapRPM, CondRPM    float64
	Watts                                   float64
	EnergyWh                                float64
	Trips                                   int
	HeatOut, HeatWall, HeatInside, HeatDoor float64 // J since the start: taken out by the coil; in through the wall; from lights and fans; by air exchange
	latent                                  float64
}

// NewCabinet returns a cabinet that has stood in its room at room °C and has
// been cooled to its band; a day of simulation settles the rest.
func NewCabinet(d *Design, room, phase float64) *Cabinet {
	mid := (d.CutIn + math.Max(d.CutOut, 0)) / 2
	c := &Cabinet{D: d, Air: mid, Wall: mid + 1, Moisture: 0.8 * satHumidity(mid), Evaporating: mid, Condensing: room,
		Shell: room + 15, Bimetal: room + 15, bulb: mid, offFor: 600, Inlet: room, Supply: mid}
	for i := range c.Product {
		c.Product[i] = mid
	}
	for i := range c.Coil {
		c.Coil[i] = mid
	}
	c.Liquid = d.LiquidEvap * 0.8
	c.defrostIn = phase * d.DefrostEvery
	return c
}

// Thaw frees the coil of all ice, as hot water and time do.
func (c *Cabinet) Thaw() { c.Frost, c.Held = [segments]float64{}, 0 }

// Blocked returns the share of the evaporator's face that frost closes.
func (c *Cabinet) Blocked() float64 {
	b := 0.0
	for _, m := range c.Frost {
		b += math.Min(1, m/c.D.FrostFull)
	}
	return b / segments
}

// WettedShare returns the share of the evaporator that holds liquid.
func (c *Cabinet) WettedShare() float64 { return math.Min(1, c.Liquid/c.D.LiquidEvap) }

// Warmest and Coldest are over the product.
func (c *Cabinet) Warmest() float64 {
	return math.Max(c.Product[0], math.Max(c.Product[1], c.Product[2]))
}

// Coldest returns the temperature of the coldest product.
func (c *Cabinet) Coldest() float64 {
	return math.Min(c.Product[0], math.Min(c.Product[1], c.Product[2]))
}

// Step advances the plant by stepSeconds.
func (c *Cabinet) Step(w *World, e *Effect) {
	d := c.D
	power := w.Power && !e.PowerOff
	c.control(w, e, power)
	c.fans(w, e, power)
	c.compressor(w, e, power)
	cooling := c.evaporator(w, e)
	c.box(w, e, power, cooling)

	c.Watts = 0
	if power {
		c.Watts = c.CompWatts + d.Electronics + d.Heater
		if c.EvapFanOn {
			c.Watts += d.EvapFan.Power
		}
		if c.CondFanOn {
			c.Watts += d.CondFan.Power
		}
		if w.Light {
			c.Watts += d.Light
		}
		if c.Defrosting {
			c.Watts += d.DefrostHeat
		}
		rest := c.Watts - c.CompWatts
		if rest < 0 {
			rest = 0
		}
		c.MainsAmps = c.CompAmps + rest/(w.Volts*0.86)
		if c.EvapAmps > 0 && !c.EvapFanOn {
			c.MainsAmps += c.EvapAmps
		}
		if c.CondAmps > 0 && !c.CondFanOn {
			c.MainsAmps += c.CondAmps
		}
		c.EnergyWh += c.Watts * stepSeconds / 3600
	} else {
		c.MainsAmps = 0
	}
}

func (c *Cabinet) fans(w *World, e *Effect, power bool) {
	d := c.D
	called := d.FansByCall && c.Call
	want := power
	switch d.FanControl {
	case fleet.FanWithCompressor:
		want = want && (c.Running || c.Locked || c.Defrosting || called)
	case fleet.FanDoorSwitched:
		want = want && w.Door < 0.5 && !e.doorSeen()
	}
	if c.Defrosting && d.DefrostHeat > 0 {
		want = false
	}
	c.EvapFanOn = want && !e.EvapFanStopped
	c.EvapAmps, c.EvapRPM = 0, 0
	if c.EvapFanOn {
		block := c.Blocked()
		c.EvapAmps = d.EvapFan.Amps * (1 - d.EvapFan.Choked*block) * w.Volts / d.Volts
		c.EvapRPM = d.EvapFan.RPM * (1 + 0.05*block)
	} else if want && e.EvapFanLocked {
		c.EvapAmps = d.EvapFan.Amps * d.EvapFan.Locked * w.Volts / d.Volts
	}
	want = power && (c.Running || called)
	c.CondFanOn = want && !e.CondFanStopped
	c.CondAmps, c.CondRPM = 0, 0
	if c.CondFanOn {
		c.CondAmps = d.CondFan.Amps * w.Volts / d.Volts
		c.CondRPM = d.CondFan.RPM * (1 - 0.15*e.CondBlocked)
	} else if power && (c.Running || c.Locked || called) && e.CondFanLocked {
		c.CondAmps = d.CondFan.Amps * d.CondFan.Locked * w.Volts / d.Volts
	}
}

// box advances air, wall, product and moisture. cooling is what the coil took
// from the air, W, already including what the moisture gave it.
func (c *Cabinet) box(w *World, e *Effect, power bool, cooling float64) {
	d := c.D
	const dt = stepSeconds
	flow := d.Infiltration + e.Leak
	if w.Curtain && d.Kind == fleet.OpenFront {
		flow = d.Infiltration*0.35 + e.Leak
	}
	if d.Kind == fleet.OpenFront && !c.EvapFanOn {
		flow *= 1.3 // no curtain of air
	}
	door := math.Max(w.Door, e.DoorOpen)
	if dT := w.Room - c.Air; dT > 0 { // buoyancy drives the exchange through a door
		flow += door * d.DoorFlow * math.Min(1.5, math.Sqrt(dT/20))
	} else {
		flow += door * d.DoorFlow * 0.2
	}
	flow += w.Exchange / dt
	// The exchange cannot replace more than the box holds.
	mass := airDensity * d.Volume
	x := 1 - math.Exp(-flow*airDensity*dt/mass)
	doorHeat := x * mass * airCp * (w.Room - c.Air) / dt
	damp := x * mass * (w.Humidity - c.Moisture) / dt
	c.Moisture = math.Max(1e-5, c.Moisture+(damp-c.latent/latentFrost)*dt/(mass*3))

	inside := d.Heater / 2
	if power && w.Light {
		inside += d.Light * d.LightIn
	}
	if c.EvapFanOn {
		inside += d.EvapFan.Power
	} else if c.EvapAmps > 0 {
		inside += c.EvapAmps * d.Volts * 0.6
	}
	if !power {
		inside = 0
	}
	wallIn := d.UAWall * (w.Room - c.Wall)
	wallAir := d.UAWallInner * (c.Wall - c.Air)
	c.Wall += (wallIn - wallAir) * dt / d.CapWall

	toAir := wallAir + inside + doorHeat - cooling
	still := 0.45
	if c.EvapFanOn {
		still = 0.45 + 0.55*(1-c.Blocked())
	}
	depth := c.Air - c.Supply
	for i := range c.Product {
		local := c.Air
		if c.EvapFanOn {
			local -= d.SupplyShare[i] * depth
		} else {
			local += d.Stratify * float64(i-1) * math.Min(1, math.Abs(w.Room-c.Air)/20)
		}
		q := d.UAProduct[i] * still * (local - c.Product[i])
		toAir -= q
		if i > 0 {
			k := d.Between * (c.Product[i-1] - c.Product[i])
			q += k
			c.Product[i-1] -= k * dt / d.CapProduct[i-1]
		}
		c.Product[i] += q * dt / d.CapProduct[i]
	}
	c.Air += toAir * dt / d.CapAir
	if w.Refill > 0 {
		for i := range c.Product {
			s := w.Refill
			switch i {
			case 0:
				s *= 1.2 * (1 - w.Far)
			case 2:
				s *= 1 + 1.5*w.Far
			}
			s = math.Min(0.95, s)
			c.Product[i] += s * (w.Warm - c.Product[i])
		}
	}
	c.HeatOut += cooling * dt
	c.HeatWall += wallIn * dt
	c.HeatInside += inside * dt
	c.HeatDoor += doorHeat * dt
}

// Stored returns the heat held by air, wall and product above 0 °C, J.
func (c *Cabinet) Stored() float64 {
	s := c.Air*c.D.CapAir + c.Wall*c.D.CapWall
	for i, t := range c.Product {
		s += t * c.D.CapProduct[i]
	}
	return s
}
