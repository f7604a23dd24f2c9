// Package fault is the catalogue of what can be wrong with a machine.
package fault

import (
	"fmt"
	"strings"
)

// Fault is a cause in the catalogue. The zero value, Well, is no fault.
type Fault uint8

// The catalogue. The order is stable: stored states index by it.
const (
	Well Fault = iota
	EvaporatorFanStopped
	CoilIced
	CondenserFanStopped
	CondenserBlocked
	CompressorNotStarting
	CompressorWeak
	RefrigerantLow
	ThermostatStuckOn
	ThermostatStuckOff
	DoorOpen
	DoorLeak
	PowerLost
	SensorFault
	Silent
	Unknown
	Num int = iota
)

var names = [Num]string{
	"well", "evaporator-fan-stopped", "coil-iced", "condenser-fan-stopped", "condenser-blocked",
	"compressor-not-starting", "compressor-weak", "refrigerant-low", "thermostat-stuck-on",
	"thermostat-stuck-off", "door-open", "door-leak", "power-lost", "sensor-fault", "silent", "unknown",
}

func (f Fault) String() string { return names[f] }

// MarshalText writes the fault's name of the contract.
func (f Fault) MarshalText() ([]byte, error) { return []byte(names[f]), nil }

// UnmarshalText reads the fault's name of the contract.
func (f *Fault) UnmarshalText(b []byte) error {
	for i, n := range names {
		if n == string(b) {
			*f = Fault(i)
			return nil
		}
	}
	return fmt.Errorf("fault %q is not in the catalogue, which has %s", b, strings.Join(names[Well+1:], ", "))
}

// alike holds, for each fault, the faults that look like it from outside, so
// that a person wants to be told why it is not one of those.
var alike = func() (a [Num]uint32) {
	groups := [][]Fault{
		{EvaporatorFanStopped, CoilIced},
		{CondenserFanStopped, CondenserBlocked, CompressorNotStarting},
		{CompressorWeak, RefrigerantLow, DoorLeak, CoilIced},
		{CompressorNotStarting, ThermostatStuckOff, PowerLost},
		{ThermostatStuckOn, SensorFault},
		{DoorOpen, DoorLeak},
	}
	for _, g := range groups {
		for _, f := range g {
			for _, h := range g {
				if f != h {
					a[f] |= 1 << h
				}
			}
		}
	}
	return a
}()

// Alike returns the set of faults that look like f, as bits.
func (f Fault) Alike() uint32 { return alike[f] }
