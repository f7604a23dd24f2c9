// Package kin learns from a fleet's own machines what a machine of a kind is
// like before it has said anything: where the levels of its well state lie and
// how much machines of the kind differ in them, and which faults its people
// have met.
//
// Levels follow the one-way random effects model. Machine i of a kind shows a
// level y_i, which is its own with a sampling variance v_i; its own is drawn
// from the kind's distribution with centre μ and variance τ²:
//
//	y_i ~ N(θ_i, v_i)    θ_i ~ N(μ, τ²)
//
// μ and τ² come from Paule and Mandel's equation (Journal of Research of the
// National Bureau of Standards 87, 1982), with Huber's bounded residuals in it,
// so that a machine that was faulty all its life does not widen its kind. What a
// centre is worth to a new machine follows by empirical Bayes with the factor
// of James and Stein (Efron and Morris, Journal of the American Statistical
// Association 70, 1975).
//
// Faults are a Dirichlet distribution around the built-in shares: what people
// found at visits is counted on top of them.
//
// The package knows no clock, network or disk.
package kin
