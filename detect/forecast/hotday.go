package forecast

import (
	"math"

	"coilward/detect/thermal"
)

// HotDay is the ambient above which a machine could not hold its air, °C.
type HotDay struct {
	Known    bool
	Limit    float64 // °C of ambient
	SD       float64 // K
	FromKind bool    // it rests on the kind more than on the machine
}

// Bounds of what is worth telling.
const (
	hotDayHours = 24.0 // of whole cycles seen
	hotDaySD    = 9.0  // K; above it nobody would act on it
	hotDayMost  = 70.0 // °C; further away the line is no guide
)

// Hold returns the ambient at which the machine would have to run all the time to
// hold air at air °C, from
//
//	1 = (u (T − air) + w) / (1 − c (T − 25))
//
// with the standard deviation that the estimate's covariance gives by the delta
// method.
func Hold(l *thermal.Load, air float64) HotDay {
	u, w, c, cov := l.Line()
	// 1 − cT + 25c = uT − u·air + w
	den := math.Max(u+c, 0.004)
	t := (1 + 25*c + u*air - w) / den
	// Derivatives by u, w, c.
	d := [3]float64{(air - t) / den, -1 / den, (25 - t) / den}
	v := 0.0
	for i := range d {
		for j := range d {
			v += d[i] * cov[i][j] * d[j]
		}
	}
	// The line is fitted where the room is, and bends beyond (a condenser far from
	// its design, humidity): a kelvin for every six from what was seen.
	sd := math.Hypot(math.Sqrt(math.Max(v, 0)), math.Max(t-l.Room(), 0)/6)
	h := HotDay{Limit: math.Min(t, hotDayMost), SD: sd, FromKind: l.Hours() < 3*hotDayHours}
	h.Known = l.Hours() >= hotDayHours && sd <= hotDaySD
	return h
}
