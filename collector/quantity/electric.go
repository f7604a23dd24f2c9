package quantity

import "time"

// Electrical units. Currents and voltages of mains supply are RMS.
type (
	Ampere   float64
	Volt     float64
	Watt     float64 // real power
	WattHour float64
)

// Over returns the energy of power w held for d.
func (w Watt) Over(d time.Duration) WattHour { return WattHour(float64(w) * d.Hours()) }

// Joules returns e in J: 3600 of them are a watt-hour.
func (e WattHour) Joules() float64 { return float64(e) * 3600 }

// KilowattHours returns e in kWh, the unit of energy bills and standards.
func (e WattHour) KilowattHours() float64 { return float64(e) / 1000 }
