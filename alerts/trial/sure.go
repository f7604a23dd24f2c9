package trial

import "gonum.org/v1/gonum/stat/distuv"

// RateBelow is what the true rate of events lies below with 95 % confidence where
// so many were seen in so many years, if they come at random: the exact limit of
// Garwood (Biometrika 28, 1936, 437), half the 95 % quantile of χ² with 2n+2 degrees
// of freedom. Of none in three years it is about one a year.
func RateBelow(events int, years float64) float64 {
	return distuv.ChiSquared{K: float64(2*events + 2)}.Quantile(0.95) / 2 / years
}
