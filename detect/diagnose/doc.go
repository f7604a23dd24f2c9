// Package diagnose weighs the causes: a recursive Bayes filter over well,
// ordinary life and the faults of the catalogue.
//
// Each look at a machine is a feature.Vector. A Table gives the log-likelihood
// of every feature's level in every state; features whose channels a machine
// does not carry are left out, so a machine with two channels gets wide and
// honest answers and one with thirteen gets sharp ones. A Posterior carries the
// probabilities from look to look, with the rates at which faults come, turn
// into others and are put right.
package diagnose
