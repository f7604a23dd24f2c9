// Package learn learns the likelihood table of detect/diagnose from fleets
// whose truth is known.
//
// For a feature vector x of a machine and a state s (well, a piece of ordinary
// life, or a fault) the table holds
//
//	ln p(x | s) = b_s + Σ_i w_i,s(x_i) + Σ_u v_u,s max(0, d_u + Σ_i g_i,u(x_i)) + const
//
// with piecewise linear functions w a feature and state (a generalised additive
// model; Hastie and Tibshirani, Generalized Additive Models, 1990) and g a feature
// and unit: the units are what features say together. It is fitted
// discriminatively, by the likelihood of the states given what was seen, with
// stochastic steps (see training.go). Weights decay, which keeps a table from
// learning a few dozen faults by heart, and what goes against the published
// directions of a fault costs (see published.go). The logarithm of each state's
// share of the sample is taken off b_s afterwards, so that what is left is a
// likelihood and the filter brings its own prior. The table is the mean of several
// fits that began at different weights.
//
// The features are those that the models saw, against a well state learned by
// what they believed and not by what was true. Learned against the true one, a
// table takes for granted what it will not have: that no fault has ever been
// taken for normal. (The same is done step by step in imitation learning: Ross,
// Gordon and Bagnell, A reduction of imitation learning to no-regret online
// learning, 2011.)
//
// A machine may lack any channel. So of half of the examples drawn the features of
// some channels are taken away at random, which makes leaving a feature out close
// to integrating over it, and single features too.
//
// The same examples and seed give the same table, whatever the number of
// processors. There is no clock and no input or output here.
package learn
