package simulate

import (
	"math"
	"math/rand/v2"

	"coilward/collector/fleet"
)

// capillaryExponent is between that of a free orifice, 0.5, and that of a choked
// tube, which hardly feels the pressure below it.
const capillaryExponent = 0.4

// segments is how many pieces the evaporator is cut into, along the refrigerant.
const segments = 4

// fanMotor is a small fan motor.
type fanMotor struct {
	Power  float64 // W
	Amps   float64 // A, running
	Locked float64 // locked-rotor current over running current; a motor with electronics shuts down and draws little
	RPM    float64
	Choked float64 // share of its current that it loses against a closed coil; below 0 it draws more
}

// Design is everything about one cabinet that does not change by itself.
// Distributions are centred on ordinary light-commercial cabinets and made wider
// than they are.
type Design struct {
	Kind        fleet.Kind
	Product     fleet.Product
	Refrigerant *refrigerant
	Volts       float64 // nominal

	Volume                         float64          // m³
	UAWall                         float64          // W/K through the walls
	UAWallInner                    float64          // W/K, inner lining to air
	CapWall, CapAir                float64          // J/K
	CapProduct, UAProduct          [3]float64       // J/K, W/K: near the supply, bulk, far
	SupplyShare                    [3]float64       // how much of each node's air is supply air while the fan runs
	Between                        float64          // W/K between neighbouring product nodes
	Stratify                       float64          // K between bottom and top when air stands still
	Infiltration                   float64          // m³/s, always
	DoorFlow                       float64          // m³/s through an open door
	Light, LightIn                 float64          // W; share that stays inside
	Electronics                    float64          // W, outside
	Heater                         float64          // W, anti-sweat, always, half of it inside
	EvapFan, CondFan               fanMotor         //
	FanControl                     fleet.FanControl //
	FansByCall                     bool             // fans that go with the compressor hang on the thermostat: they turn on while its overload is open
	AirFlow                        float64          // m³/s of evaporator air, clean coil
	Bypass                         float64          // m³/s that pass beside the coil, whatever its frost
	UAAir                          float64          // W/K coil to air, all segments, clean and with the fan on
	UARef                          float64          // W/K coil to boiling refrigerant, all segments
	CapSegment                     float64          // J/K
	Axial                          float64          // W/K between neighbouring segments
	FrostFull                      float64          // kg of frost on one segment that blocks it
	StillAir                       float64          // share of UAAir left when the fan stops
	UACond, CapCond                float64          // W/K, J/K
	CondStill                      float64          // share of UACond left without its fan
	Foul0                          float64          // condenser flow already lost to dirt on day 0
	Swept                          float64          // m³/s, displacement × speed
	Clearance                      float64          // clearance volume ratio
	Efficiency                     float64          // isentropic, with motor
	Idle                           float64          // W, friction and iron losses
	AmpsMag, AmpsLocked            float64          // A: magnetising, locked rotor
	StartFor                       float64          // s for which a start draws AmpsLocked
	CapShell, UAShell              float64          // J/K, W/K
	UAGas                          float64          // W/K, hot gas to shell
	BimetalTau, BimetalRI          float64          // s; K/A²
	TripAt, ResetAt                float64          // °C of the bimetal
	StartDp                        float64          // kPa against which it can still start
	EqualiseTau                    float64          // s for pressures to equalise when stopped
	Charge                         float64          // kg
	LiquidEvap, LiquidSeal, Vapour float64          // kg: a full evaporator, a sealed capillary, the vapour at design
	Capillary                      float64          // kg/s per kPa to the capillaryExponent
	SensorOnCoil                   bool             // the thermostat feels the coil instead of the air
	CutIn, CutOut                  float64          // °C at the thermostat's bulb
	BulbTau                        float64          // s
	MinOff                         float64          // s
	DefrostEvery                   float64          // s; 0: only in off-cycles
	DefrostFor                     float64          // s
	DefrostHeat                    float64          // W
	Saver                          float64          // K by which the energy saver lifts the band; 0: none
	LightsOffAtNight               bool
	Curtain                        bool
	Load                           float64 // W at 24 °C, for sizing and notes
	Capacity                       float64 // W at −8/42 °C
}

func between(r *rand.Rand, a, b float64) float64 { return a + (b-a)*r.Float64() }

// spread draws around m, log-normal with the given standard deviation of the
// logarithm, cut at ±2.5 of it.
func spread(r *rand.Rand, m, sd float64) float64 {
	z := math.Max(-2.5, math.Min(2.5, r.NormFloat64()))
	return m * math.Exp(sd*z)
}

func drawFan(r *rand.Rand, volts, scale float64) fanMotor {
	f := fanMotor{RPM: between(r, 1200, 1700), Choked: between(r, -0.06, 0.16)}
	if r.Float64() < 0.6 { // shaded pole or capacitor run
		f.Power = spread(r, 17, 0.3) * scale
		f.Amps = f.Power / volts / between(r, 0.5, 0.95)
		f.Locked = between(r, 1.25, 2)
	} else {
		f.Power = spread(r, 8.5, 0.3) * scale
		f.Amps = f.Power / volts / between(r, 0.5, 0.75)
		f.Locked = between(r, 0.02, 0.15)
	}
	return f
}

// DrawDesign draws a cabinet of the given kind that holds its product in a warm
// room, as those that leave a workshop do.
func DrawDesign(r *rand.Rand, kind fleet.Kind) Design {
	for {
		if d := drawDesign(r, kind, nil); d.holds() {
			return d
		}
	}
}

// holds tries the cabinet for two days at 27 °C and 60 % humidity, with people at it: the product stays within its
// limits, the coil keeps clear and the overload closed.
func (d *Design) holds() bool {
	c := NewCabinet(d, 27, 0.5)
	w := World{Room: 27, Humidity: 0.6 * satHumidity(27), Volts: d.Volts, Power: true, Light: true}
	switch {
	case d.Kind == fleet.GlassDoor:
		w.Door = 0.025
	case d.Kind <= fleet.GlassFrontVendor:
		w.Exchange = 100 * 0.05 * d.Volume / 86400 * stepSeconds
	}
	var well Effect
	lim := limitsOf(d.Product)
	run, n, early := 0.0, 0.0, 0.0
	for t := 0.0; t < 48*3600; t += stepSeconds {
		c.Step(&w, &well)
		if t < 12*3600 {
			continue
		}
		if t < 24*3600 {
			early = math.Max(early, c.Blocked())
		}
		if c.Blocked() > math.Min(0.35, early+0.04) || c.Trips > 0 {
			return false
		}
		n++
		run += truthOf(c.Running)
		if c.Warmest() > float64(lim.Warm)-0.3 || c.Coldest() < float64(lim.Cold)+0.4 {
			return false
		}
	}
	return run/n < 0.85
}

// drawDesign draws a cabinet; fix, unless nil, sets what is known of it before its
// circuit is sized.
func drawDesign(r *rand.Rand, kind fleet.Kind, fix func(*Design)) Design {
	d := Design{Kind: kind, Volts: 115}
	if r.Float64() < 0.3 {
		d.Volts = 230
	}
	switch x := r.Float64(); {
	case x < 0.5:
		d.Refrigerant = &refrigerants[0]
	case x < 0.85:
		d.Refrigerant = &refrigerants[1]
	default:
		d.Refrigerant = &refrigerants[2]
	}
	switch x := r.Float64(); {
	case kind <= fleet.GlassFrontVendor && x < 0.85, x < 0.65:
		d.Product = fleet.SealedBeverage
	case x < 0.85:
		d.Product = fleet.Dairy
	default:
		d.Product = fleet.TCSFood
	}
	// The box.
	d.Volume = spread(r, [...]float64{0.7, 0.65, 0.6, 0.8}[kind], 0.25)
	d.UAWall = spread(r, [...]float64{3.2, 3.7, 4.6, 5.5}[kind], 0.28)
	d.UAWallInner = d.UAWall * between(r, 3, 7)
	d.CapWall = d.Volume * spread(r, 52000, 0.25)
	d.CapAir = d.Volume * spread(r, 16000, 0.25)
	full := d.Volume * between(r, 70, 380) * 4100 * 0.92
	share := [3]float64{between(r, .1, .28), 0, between(r, .1, .28)}
	share[1] = 1 - share[0] - share[2]
	for i, s := range share {
		d.CapProduct[i] = full * s
		d.UAProduct[i] = d.CapProduct[i] / (3600 * spread(r, 4.6, 0.4))
	}
	d.SupplyShare = [3]float64{between(r, .2, .8), between(r, .05, .35), between(r, 0, .15)}
	d.Between = between(r, 2, 12)
	d.Stratify = between(r, 0.4, 3)
	d.Infiltration = d.Volume * between(r, 0.4e-4, 4e-4)
	d.DoorFlow = spread(r, [...]float64{0.045, 0.05, 0.045, 0}[kind], 0.4)
	if kind == fleet.OpenFront {
		d.Infiltration += between(r, 0.004, 0.011)
		d.Curtain = r.Float64() < 0.5
	}
	d.Light = spread(r, [...]float64{14, 32, 36, 40}[kind], 0.5)
	if kind == fleet.StackVendor {
		d.LightIn = between(r, 0, 0.2)
	} else {
		d.LightIn = between(r, 0.35, 0.9)
	}
	d.LightsOffAtNight = r.Float64() < 0.3
	d.Electronics = between(r, 3, 24)
	if r.Float64() < 0.2 && kind != fleet.OpenFront {
		d.Heater = between(r, 10, 55)
	}
	switch x := r.Float64(); {
	case x < 0.6:
		d.FanControl = fleet.FanContinuous
	case x < 0.85 || kind == fleet.OpenFront:
		d.FanControl = fleet.FanWithCompressor
	default:
		d.FanControl = fleet.FanDoorSwitched
	}
	d.FansByCall = r.Float64() < 0.7
	// Its thermostat.
	centre := between(r, 2.2, 4.2)
	if d.Product != fleet.SealedBeverage {
		centre = between(r, 1.6, 3.1)
	}
	band := between(r, 1.4, 4.2)
	d.CutIn, d.CutOut = centre+band/2, centre-band/2
	d.BulbTau = between(r, 30, 170)
	d.SensorOnCoil = kind != fleet.OpenFront && r.Float64() < 0.25
	if d.SensorOnCoil {
		d.FanControl = fleet.FanContinuous
		d.CutIn, d.CutOut = centre+between(r, 0.4, 1.4), between(r, -9, -3.5)
	}
	if r.Float64() < 0.55 {
		d.MinOff = 60 * float64(r.IntN(4)+2)
	}
	// Without a fan in the off-cycle frost does not thaw by itself.
	if x := r.Float64(); x < 0.6 || kind == fleet.OpenFront || d.FanControl == fleet.FanWithCompressor {
		d.DefrostEvery = 3600 * []float64{4, 6, 8, 12, 24}[r.IntN(5)]
		d.DefrostFor = 60 * between(r, 12, 35)
		if kind == fleet.OpenFront {
			d.DefrostEvery = 3600 * []float64{3, 4, 6}[r.IntN(3)]
		}
		if r.Float64() < 0.15 {
			d.DefrostHeat = between(r, 120, 400)
			d.DefrostFor *= 0.6
		}
	}
	if r.Float64() < 0.22 && d.Product == fleet.SealedBeverage && !d.SensorOnCoil {
		d.Saver = between(r, 1, 3)
	}
	if fix != nil {
		fix(&d)
	}
	d.sizeCircuit(r)
	return d
}

// sizeCircuit sizes the refrigerant circuit for the load of the box at 24 °C.
func (d *Design) sizeCircuit(r *rand.Rand) {
	g := d.Refrigerant
	curtain := airDensity * d.Infiltration * (airCp*20 + 0.004*latentWater)
	d.Load = d.UAWall*20.5 + d.Light*d.LightIn + d.Heater/2 + curtain + 14
	if d.Kind == fleet.GlassDoor {
		d.Load += 25
	}
	d.Capacity = math.Max(180, d.Load/between(r, 0.3, 0.8))
	scale := math.Sqrt(d.Capacity / 330)
	d.EvapFan, d.CondFan = drawFan(r, d.Volts, scale), drawFan(r, d.Volts, scale)
	d.AirFlow = d.Capacity / (airDensity * airCp * between(r, 4.2, 9.5))
	d.Bypass = d.AirFlow * between(r, 0, 0.15)
	d.UAAir = d.Capacity / between(r, 3.4, 7.8)
	d.UARef = d.UAAir * between(r, 2.6, 5)
	d.CapSegment = 2500 * scale * scale * between(r, 0.8, 1.4)
	d.Axial = between(r, 0.4, 1.6)
	d.FrostFull = between(r, 0.09, 0.3) * scale * scale
	if d.Kind == fleet.OpenFront {
		d.FrostFull *= between(r, 2, 4)
	}
	d.StillAir = between(r, 0.012, 0.05)
	const evap, cond = -8.0, 42.0
	dh := g.latent(evap) - g.liquidCp*(cond-4-evap) + g.vapourCp*12
	flow := d.Capacity / dh
	d.Clearance = between(r, 0.03, 0.075)
	pe, pc := g.pressure(evap), g.pressure(cond)
	eta := 1 - d.Clearance*(math.Pow(pc/pe, 1/g.isen)-1)
	d.Swept = flow / (eta * g.vapour(pe, evap+20))
	d.Efficiency = between(r, 0.4, 0.57)
	d.Idle = d.Capacity * between(r, 0.025, 0.06)
	power := flow*d.compression(pe, pc, evap+20)/d.Efficiency + d.Idle
	act := power / d.Volts
	d.AmpsMag = act * between(r, 0.45, 1.05)
	run := math.Hypot(act, d.AmpsMag)
	d.AmpsLocked = run * between(r, 4, 7)
	d.StartFor = between(r, 0.2, 1)
	d.CapShell = between(r, 3000, 6000)
	d.UAShell = power * between(r, 0.0055, 0.009)
	d.UAGas = d.UAShell * between(r, 0.7, 1.6)
	d.BimetalTau = between(r, 30, 65)
	d.BimetalRI = between(r, 6, 15) / (run * run)
	d.TripAt, d.ResetAt = between(r, 92, 121), between(r, 58, 72)
	d.StartDp = (pc - pe) * between(r, 0.25, 1.3)
	d.EqualiseTau = between(r, 30, 80)
	d.CapCond = between(r, 900, 2200) * scale * scale
	d.UACond = (d.Capacity + power) / between(r, 11, 22)
	d.CondStill = between(r, 0.09, 0.32)
	d.Foul0 = between(r, 0, 0.14)
	d.LiquidEvap = flow * between(r, 16, 38)
	d.LiquidSeal = flow * between(r, 5, 12)
	d.Vapour = (d.LiquidEvap + d.LiquidSeal) * between(r, 0.12, 0.25)
	d.Charge = d.LiquidEvap*between(r, 1.02, 1.2) + d.LiquidSeal*between(r, 1.0, 1.4) + d.Vapour
	d.Capillary = flow * between(r, 1.02, 1.6) / math.Pow(pc-pe, capillaryExponent)
}

// compression returns the isentropic work, J/kg, from pe to pc kPa with suction at t °C.
func (d *Design) compression(pe, pc, t float64) float64 {
	g := d.Refrigerant
	if pc <= pe {
		return 0
	}
	n := (g.isen - 1) / g.isen
	return pe * 1e3 / g.vapour(pe, t) / n * (math.Exp(n*math.Log(pc/pe)) - 1)
}
