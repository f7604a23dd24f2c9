package simulate

import (
	"math"
	"slices"
	"time"

	"coilward/collector/quantity"
	"coilward/detect/fault"
)

// What follows is for whoever goes to a machine of a fleet without truth, and acts
// on what is really there.

// byID finds a machine; nil where there is none.
func (f *Fleet) byID(id string) *Machine {
	for _, m := range f.Machines {
		if m.ID == id {
			return m
		}
	}
	return nil
}

// Found returns what is wrong with a machine just now, as who opens it finds it.
func (f *Fleet) Found(machine string) []fault.Fault {
	m := f.byID(machine)
	if m == nil {
		return nil
	}
	var out []fault.Fault
	if m.real.Blocked() > 0.5 { // seen, whatever it came from
		out = append(out, fault.CoilIced)
	}
	for i := range m.Episodes {
		// What comes and goes is found too: a loose wire is loose.
		if ep := &m.Episodes[i]; ep.Onset <= f.now && f.now < ep.End && !slices.Contains(out, ep.Fault) {
			out = append(out, ep.Fault)
		}
	}
	return out
}

// Product returns the temperature of the warmest product, as a probe between the
// packages shows it; NaN where there is no such machine.
func (f *Fleet) Product(machine string) quantity.Celsius {
	m := f.byID(machine)
	if m == nil {
		return quantity.Celsius(math.NaN())
	}
	return quantity.Celsius(m.real.Warmest())
}

// Open opens a machine's door for a while, as who works at it does.
func (f *Fleet) Open(machine string, d time.Duration) {
	if m := f.byID(machine); m != nil {
		m.place.active = append(m.place.active, event{at: f.now, until: f.now + d.Seconds(), kind: service})
	}
}

// Repair ends a fault of a machine now, and thaws the coil where that belongs to it.
func (f *Fleet) Repair(machine string, what fault.Fault) {
	m := f.byID(machine)
	if m == nil {
		return
	}
	for i := range m.Episodes {
		if ep := &m.Episodes[i]; ep.Fault == what && ep.Onset <= f.now && f.now < ep.End {
			ep.End = f.now
		}
	}
	if what == fault.CoilIced || what == fault.EvaporatorFanStopped {
		m.real.Thaw()
	}
}

// Pack makes every machine send n instants together from now on, as a gateway
// does that saves on messages; 1: each by itself.
func (f *Fleet) Pack(n int) {
	for _, m := range f.Machines {
		m.Link.Batch = n
	}
}
