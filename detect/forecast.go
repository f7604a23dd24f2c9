package detect

import (
	"math"

	"coilward/collector"
	"coilward/detect/fault"
	"coilward/detect/forecast"
)

// unmeasuredAmbient stands in where no channel tells, °C: a heated or cooled
// room (common practice, no source).
const unmeasuredAmbient = 24

// forecast says when the product leaves its limit if nobody acts.
func (m *Machine) forecast(o *open, at collector.Millis) {
	s := &m.s
	o.LimitAt, o.LimitEarly, o.LimitLate, o.LimitSide = 0, 0, 0, NoSide
	// What a sensor that lies says of the product is not passed on.
	o.HasProduct = s.Product.Known() && o.Fault != fault.SensorFault
	if !o.HasProduct {
		return
	}
	mid, _, _ := s.Product.Estimate()
	o.Product = float32(mid)
	amb, ok := s.Track.AmbientNow()
	if !ok {
		amb = unmeasuredAmbient
	}
	in := forecast.Input{
		Start: float64(s.WellProduct), Elapsed: math.Max(float64(at-o.Since)/3600000, 0), Product: mid, Ambient: amb,
		Air: float64(s.MeanAir[0]), AirSlow: float64(s.MeanAir[1]), NormalAir: s.Track.NormalAir(), RunShare: s.Track.RunFraction(),
		Warm: float64(m.spec.Limits.Warm), Cold: float64(m.spec.Limits.Cold),
	}
	if s.Nearest.Known() {
		in.Nearest = &s.Nearest
	}
	var rates [fault.Num]float64
	for _, c := range o.Cand[:o.NumCand] {
		rates[c.Fault] = c.candidate().Probability
	}
	l := forecast.Limit(&in, &rates)
	if math.IsInf(l.Mid, 1) {
		return
	}
	base := at
	when := func(h float64) collector.Millis { return base + collector.Millis(math.Min(h, 24*365)*3600000) }
	o.LimitAt, o.LimitEarly, o.LimitLate = when(l.Mid), when(l.Early), when(l.Late)
	o.LimitSide = Warm
	if l.Cold {
		o.LimitSide = Cold
	}
}
