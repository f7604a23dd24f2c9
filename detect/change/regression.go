package change

type vector interface {
	~[2]float64 | ~[3]float64 | ~[4]float64
}

type triangle interface {
	~[3]float64 | ~[6]float64 | ~[10]float64
}

// Recursive least squares of two to four coefficients.
type (
	Regression2 = regression[[2]float64, [3]float64]
	Regression3 = regression[[3]float64, [6]float64]
	Regression4 = regression[[4]float64, [10]float64]
)

// RegressionRule is what every machine's regression of one kind shares.
type RegressionRule struct {
	Forgetting float64 // weight of the past a step, 0 < … ≤ 1
	// Ceiling bounds the trace of the covariance: above it nothing is
	// forgotten, so a machine that shows nothing new for days does not lose
	// what it knows. 0: none.
	Ceiling float64
}

// regression is recursive least squares with exponential forgetting:
//
//	K = P x / (λ + xᵀ P x),  θ ← θ + K (y − xᵀ θ),  P ← (P − K xᵀ P) / λ
//
// P is in units of the noise variance. Begin must be called first.
//
// Source: Ljung 1999, System Identification, 2nd ed., ch. 11 (from memory).
type regression[V vector, P triangle] struct {
	Theta V
	// The covariance, lower triangle by rows.
	Covariance P
}

// Begin starts from coefficients known with a variance, the same for all and
// independent, in units of the noise variance.
func (r *regression[V, P]) Begin(theta V, variance float64) {
	var zero P
	r.Theta, r.Covariance = theta, zero
	for i := range len(theta) {
		r.Covariance[i*(i+1)/2+i] = variance
	}
}

// Predict returns xᵀθ.
func (r *regression[V, P]) Predict(x V) float64 {
	y := 0.0
	for i := range len(x) {
		y += x[i] * r.Theta[i]
	}
	return y
}

// Step takes an observation y with regressors x. It returns the error of the
// prediction and the prediction's variance in units of the noise variance,
// noise included: both are of before the step.
func (r *regression[V, P]) Step(rule *RegressionRule, x V, y float64) (residual, variance float64) {
	var px V
	n := len(x)
	for i := range n {
		for j := range i {
			p := r.Covariance[i*(i+1)/2+j]
			px[i] += p * x[j]
			px[j] += p * x[i]
		}
		px[i] += r.Covariance[i*(i+1)/2+i] * x[i]
	}
	spread, trace := 0.0, 0.0
	for i := range n {
		spread += x[i] * px[i]
		trace += r.Covariance[i*(i+1)/2+i]
	}
	lambda := rule.Forgetting
	if rule.Ceiling > 0 && trace/lambda > rule.Ceiling {
		lambda = 1
	}
	residual = y - r.Predict(x)
	variance = 1 + spread
	if residual != residual || variance != variance {
		return residual, variance
	}
	for i := range n {
		gain := px[i] / (lambda + spread)
		r.Theta[i] += gain * residual
		for j := range i + 1 {
			at := i*(i+1)/2 + j
			r.Covariance[at] = (r.Covariance[at] - gain*px[j]) / lambda
		}
	}
	return residual, variance
}
