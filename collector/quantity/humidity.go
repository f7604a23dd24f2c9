package quantity

// RelativeHumidity is the vapour pressure of water in air as a percentage of
// its saturation pressure at the temperature of the air, the SenML unit %RH.
type RelativeHumidity float64

// Ratio returns h as a fraction, 1 at saturation.
func (h RelativeHumidity) Ratio() float64 { return float64(h) / 100 }
