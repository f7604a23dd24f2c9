package detect

import (
	"math"

	"coilward/detect/diagnose"
	"coilward/detect/fault"
)

// usual is what the table says of this machine on its ordinary days: how far
// each fault lies behind the best piece of ordinary life, nats. A machine that
// the table takes for half faulty every day is not; it is another make than
// those the table was learned from. What it always shows is no evidence.
type usual struct {
	Mean  [fault.Num]float32
	Vari  [fault.Num]float32
	Hours float32 // of ordinary life behind it
}

// How near a fault may come on ordinary days, nats: the mean and a standard
// deviation. How long they look back, and how long they take to be believed, hours.
const (
	usualGap    = -2
	usualHours  = 96
	usualSettle = 12
)

// take lowers the score by what is usual, and learns by hours of ordinary life.
func (u *usual) take(score *diagnose.Score, hours float64) {
	best := score[fault.Well]
	for s, x := range score {
		if diagnose.State(s).Fault() == fault.Well {
			best = max(best, x)
		}
	}
	believed := u.Hours / (u.Hours + usualSettle)
	h := float32(hours)
	if h > 0 {
		u.Hours = min(u.Hours+h, usualHours)
	}
	for f := fault.EvaporatorFanStopped; f <= fault.SensorFault; f++ {
		x := max(min(score[f]-best, 4), -10)
		if m := u.Mean[f] + float32(math.Sqrt(float64(u.Vari[f]))); m > usualGap {
			score[f] -= believed * (m - usualGap)
		}
		if h > 0 {
			d := x - u.Mean[f]
			u.Mean[f] += h / max(u.Hours, 3) * d
			u.Vari[f] += h / max(u.Hours, 3) * (d*d - u.Vari[f])
		}
	}
}
