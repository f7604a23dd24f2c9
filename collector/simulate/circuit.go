package simulate

import "math"

// compressor decides whether the compressor runs in this step, and advances
// its shell, its overload and its currents as far as they do not depend on the
// evaporator.
func (c *Cabinet) compressor(w *World, e *Effect, power bool) {
	d := c.D
	const dt = stepSeconds
	was := c.Running
	c.Locked, c.Started = false, false
	if c.Tripped && c.Bimetal < d.ResetAt {
		c.Tripped = false
	}
	if !power || !c.Call || c.Tripped {
		c.Running = false
	} else if !c.Running {
		able := d.StartDp * e.startTorque() * (w.Volts / d.Volts) * (w.Volts / d.Volts)
		switch {
		case e.StartOpen:
			// Nothing happens: the winding or its relay is open.
		case c.dp > able || w.Volts < 0.72*d.Volts:
			c.Locked = true
		default:
			c.Running, c.Started = true, true
		}
	}
	if c.Running && w.Volts < 0.6*d.Volts {
		c.Running, c.Locked = false, true
	}
	if c.Running {
		if !was {
			c.onFor = 0
		}
		c.onFor += dt
		c.offFor = 0
		c.dp = math.Max(0, d.Refrigerant.pressure(c.Condensing)-d.Refrigerant.pressure(c.Evaporating))
	} else {
		c.offFor += dt
		c.dp *= math.Exp(-dt / (d.EqualiseTau * (1 + 4*e.Restriction)))
	}
	if !c.Running {
		c.CompAmps, c.CompWatts = 0, 0
		heat := 0.0
		if c.Locked {
			c.CompAmps = d.AmpsLocked * w.Volts / d.Volts
			c.CompWatts = c.CompAmps * w.Volts * 0.6
			heat = c.CompWatts
		}
		ua := d.UAShell * 0.6
		if c.CondFanOn {
			ua = d.UAShell
		}
		c.shell(w, heat, ua, 0, 0)
	}
}

// shell advances the shell and the bimetal; heat W goes into the shell, ua W/K
// leaves it to the room, gas W/K couples it to the hot gas.
func (c *Cabinet) shell(w *World, heat, ua, gas, gasTemp float64) {
	d := c.D
	const dt = stepSeconds
	k := ua + gas
	c.Shell = (c.Shell*d.CapShell/dt + heat + ua*w.Room + gas*gasTemp) / (d.CapShell/dt + k)
	aim := c.Shell + d.BimetalRI*c.CompAmps*c.CompAmps
	c.Bimetal += (aim - c.Bimetal) * (1 - math.Exp(-dt/d.BimetalTau))
	if c.Bimetal > d.TripAt && !c.Tripped && (c.Running || c.Locked) {
		c.Tripped = true
		c.Running = false
		c.Trips++
	}
}

// dryShare is how well a dry tube takes up heat beside a wet one.
const dryShare = 0.004

// evaporator advances the coil, the refrigerant inventory and the condenser. It
// returns the heat taken from the air, W (sensible).
func (c *Cabinet) evaporator(w *World, e *Effect) float64 {
	d, g := c.D, c.D.Refrigerant
	const dt = stepSeconds
	// How much of each segment holds liquid.
	fill := c.Liquid / d.LiquidEvap * segments
	var wet [segments]float64
	sum, weighted := 0.0, 0.0
	for i := range wet {
		x := math.Max(0, math.Min(1, fill-float64(i)))
		wet[i] = d.UARef / segments * (dryShare + (1-dryShare)*x)
		sum += wet[i]
		weighted += wet[i] * c.Coil[i]
	}
	pc := g.pressure(c.Condensing)
	flow, dh, power := 0.0, 0.0, 0.0
	if c.Running {
		t := math.Min(c.Evaporating, weighted/sum)
		liquid := c.Condensing - 3 - 0.3*(c.Condensing-t)
		for range 2 {
			p := g.pressure(t)
			eta := 1 - d.Clearance*(math.Exp(math.Log(math.Max(1, pc/p))/g.isen)-1)
			eta = math.Max(0.02, eta*(1-e.ValveLoss))
			flow = d.Swept * eta * g.vapour(p, t+20)
			dh = g.latent(t) - g.liquidCp*(liquid-t) + g.vapourCp*12
			f := weighted - sum*t - flow*dh
			t += math.Max(-6, math.Min(6, f/(sum+0.05*flow*dh)))
		}
		c.Evaporating = math.Max(-48, math.Min(t, 25))
		pe := g.pressure(c.Evaporating)
		power = flow*d.compression(pe, pc, c.Evaporating+20)/(d.Efficiency*(1-0.35*e.ValveLoss)) + d.Idle
		gasWork := flow * d.compression(pe, pc, c.Evaporating+20)
		loss := power - gasWork
		lossW := loss + power*e.WindingLoss
		c.CompWatts = power * (1 + e.WindingLoss)
		act := c.CompWatts / w.Volts
		mag := d.AmpsMag * w.Volts / d.Volts * (1 + 0.8*e.WindingLoss)
		c.CompAmps = math.Hypot(act, mag)
		ua, gas := d.UAShell, d.UAGas
		if !c.CondFanOn {
			ua *= 0.4
		} else {
			ua *= 1 - 0.4*e.CondBlocked
		}
		hot := c.Condensing + 22
		before := c.Shell
		c.shell(w, 0.55*lossW, ua, gas, hot)
		flowHeat := flow*dh + gasWork + 0.45*lossW - gas*(hot-(before+c.Shell)/2)
		c.condense(w, e, flowHeat)
	} else {
		c.Evaporating = weighted / sum
		c.condense(w, e, 0)
	}
	// The inventory.
	pe := g.pressure(c.Evaporating)
	charge := d.Charge * (1 - e.ChargeLost)
	vapour := math.Min(charge*0.8, d.Vapour*math.Max(0.3, pc/g.pressure(42)))
	inCond := math.Max(0, charge-vapour-c.Liquid)
	seal := 0.06 + 0.94*math.Min(1, inCond/d.LiquidSeal)
	feed := 0.0
	if pc > pe {
		feed = d.Capillary * math.Exp(capillaryExponent*math.Log(pc-pe)) * seal * (1 - e.Restriction)
	}
	// Where little liquid is left, the flow falls with it within a step: implicit in that.
	c.Liquid += (math.Min(feed, inCond/dt) - flow) * dt / (1 + flow*dt/(c.Liquid+0.02*d.LiquidEvap))
	c.Liquid = math.Max(0, math.Min(c.Liquid, math.Min(charge-vapour*0.5, d.LiquidEvap*1.1)))

	return c.coil(w, e, &wet)
}

// condense advances the condensing temperature with heat W given to it.
func (c *Cabinet) condense(w *World, e *Effect, heat float64) {
	d := c.D
	open := (1 - d.Foul0) * (1 - e.CondBlocked)
	ua := d.UACond * d.CondStill * (0.3 + 0.7*open)
	if c.CondFanOn {
		ua = d.UACond * math.Max(0.04, math.Pow(open, 0.75))
	}
	recirc := 0.0
	if c.Running {
		recirc = e.Recirculation
	}
	c.Inlet = w.Room + recirc*(c.Condensing-w.Room)
	c.Condensing = (c.Condensing*d.CapCond/stepSeconds + heat + ua*c.Inlet) / (d.CapCond/stepSeconds + ua)
	if c.Condensing > 92 { // a relief path: the motor stalls or the gas passes
		c.Condensing = 92
	}
}

// coil advances metal temperatures and frost, and returns the sensible heat, W.
func (c *Cabinet) coil(w *World, e *Effect, wet *[segments]float64) float64 {
	d := c.D
	const dt = stepSeconds
	defrost := 0.0
	if c.Defrosting {
		defrost = d.DefrostHeat / segments
	}
	sensible, latent, mix, through := 0.0, 0.0, 0.0, 0.0
	last := c.Coil[0]
	satAir := math.Max(c.Moisture, 0)
	for i := range c.Coil {
		b := math.Min(0.985, c.Frost[i]/d.FrostFull)
		open := (1 - b) * math.Sqrt(1-b)
		var ua float64
		if c.EvapFanOn {
			stream := d.AirFlow / segments * open * airDensity * airCp
			ntu := d.UAAir / segments * (0.25 + 0.75*open) / math.Max(stream, 1e-6)
			ua = stream*(1-math.Exp(-ntu)) + d.UAAir/segments*d.StillAir*0.5
			through += stream
			mix += stream * (c.Air - (c.Air-c.Coil[i])*(1-math.Exp(-ntu)))
		} else {
			ua = d.UAAir / segments * d.StillAir * (0.3 + 0.7*open)
		}
		g := 0.0
		if c.Running {
			g = wet[i]
		} else {
			g = wet[i] * 0.5 // liquid and gas share the heat between the segments
		}
		side := 0.0
		if i > 0 {
			side += d.Axial * (last - c.Coil[i])
		}
		if i < segments-1 {
			side += d.Axial * (c.Coil[i+1] - c.Coil[i])
		}
		last = c.Coil[i]
		// Vapour settles where the metal is below the dew point.
		vap := ua / airCp * (satAir - satHumidity(c.Coil[i])) // kg/s
		if vap < 0 && c.Frost[i] < 1e-6 {
			vap = 0
		}
		cm := d.CapSegment + 2090*c.Frost[i]
		lat := latentWater
		if c.Coil[i] < 0 {
			lat = latentFrost
		}
		t := (cm/dt*c.Coil[i] + ua*c.Air + g*c.Evaporating + side + vap*lat + defrost) / (cm/dt + ua + g)
		sensible += ua * (c.Air - t)
		latent += vap * latentFrost
		if t < 0 {
			c.Frost[i] += vap * dt
			c.Frost[i] += e.Ice * d.FrostFull * dt / 3600 * math.Min(1, -t/3)
			if c.Held > 0 {
				x := math.Min(c.Held, d.FrostFull*dt/3600*0.5)
				c.Held -= x
				c.Frost[i] += x
			}
		} else if c.Frost[i] > 0 {
			// What a blocked drain keeps is lumps below the air stream: slow to melt.
			melt := math.Min(c.Frost[i], t*cm/latentMelt) * (1 - 0.7*e.HoldMelt)
			c.Frost[i] -= melt
			t -= melt * latentMelt / cm
			if e.HoldMelt > 0 {
				c.Held += melt * e.HoldMelt
			}
		}
		c.Frost[i] = math.Max(0, math.Min(c.Frost[i], d.FrostFull*1.02))
		c.Coil[i] = t
	}
	if !(e.HoldMelt > 0) {
		c.Held = 0
	}
	c.latent = latent
	if through > 0 {
		beside := d.Bypass * airDensity * airCp
		c.Supply = (mix + beside*c.Air) / (through + beside)
	} else {
		c.Supply += (0.5*c.Air + 0.5*c.Coil[0] - c.Supply) * 0.02
	}
	return sensible
}
