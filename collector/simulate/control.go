package simulate

import "math"

// control is the thermostat, the defrost timer and the energy saver.
func (c *Cabinet) control(w *World, e *Effect, power bool) {
	d := c.D
	const dt = stepSeconds
	felt := c.Air
	if d.SensorOnCoil {
		felt = c.Coil[segments-1]
	}
	c.bulb += (felt - c.bulb) * (1 - math.Exp(-dt/d.BulbTau))
	c.Defrosting = false
	if !power {
		c.Call = false
		return
	}
	if d.DefrostEvery > 0 {
		c.defrostIn -= dt
		if c.defrostIn <= 0 {
			c.defrostIn = d.DefrostEvery
			c.defrostLeft = d.DefrostFor
		}
		if c.defrostLeft > 0 {
			c.defrostLeft -= dt
			c.Defrosting = !e.NoDefrost
			if d.DefrostHeat > 0 && c.Coil[segments-1] > 8 {
				c.defrostLeft = 0
			}
		}
	}
	shift := w.Turned + e.StatShift
	if w.Night && d.Saver > 0 {
		shift += d.Saver
	}
	in, out := d.CutIn+shift, d.CutOut+shift
	if e.NoDefrost && d.SensorOnCoil {
		in = math.Min(in, -1) // the bulb has come off the place that melts last
	}
	switch {
	case c.bulb >= in:
		if !c.Call && c.offFor >= d.MinOff {
			c.Call = true
		}
	case c.bulb <= out:
		c.Call = false
	}
	if c.Defrosting {
		c.Call = false
	}
	if e.StatOff {
		c.Call = false
	}
	if e.StatOn {
		c.Call = true
	}
}
