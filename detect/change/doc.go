// Package change holds sequential tests and small recursive estimators: has
// the mean of a stream moved, since when, and what is normal for it.
//
// Everything is a fixed-size value without pointers: a test's state is one type
// (Cusum, 16 bytes), what all machines share is another (CusumRule). A step
// allocates nothing, reads no clock and depends on state and input alone.
// Observations are standardised unless said otherwise: mean 0 and standard
// deviation 1 while nothing is wrong.
//
// The limits come from a wanted mean number of observations between false
// alarms (ARL0, average run length in control), see CusumLimit and EwmaLimit:
// twenty years between false alarms at one observation an hour is an ARL0 of
// 20·8766. Run lengths are exact (integral equation), not simulated.
//
//	k   reference value of a CUSUM, half the shift to be caught, in σ
//	h   limit of a CUSUM, in σ
//	λ   weight of the newest observation in an EWMA
//	L   limit of an EWMA in its own standard deviations
//	μ   shift of the mean, in σ
package change

// Side says which way a mean has moved.
type Side int8

// Sides; the zero value is no alarm.
const (
	Steady Side = 0
	Up     Side = 1
	Down   Side = -1
)
