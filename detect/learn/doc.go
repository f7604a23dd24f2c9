// Package learn learns the likelihood table of detect/diagnose from fleets
// whose truth is known.
//
// For a feature vector x of a machine and a state s (well, a piece of ordinary
// life, or a fault) the table holds
//
//	ln p(x | s) = b_s + Σ_i w_i,s(x_i) + const
//
// with a piecewise linear function w a feature and state. It is fitted
// discriminatively: multinomial logistic regression on hat functions
// (a generalised additive model; Hastie and Tibshirani, Generalized Additive
// Models, 1990), penalised by the second differences of each w (P-splines;
// Eilers and Marx, Statistical Science 11, 1996) and by a small ridge. The
// logarithm of each state's share of the sample is taken off b_s afterwards, so
// that what is left is a likelihood and the filter brings its own prior.
//
// The features are those that the models saw, against a well state learned by
// what they believed and not by what was true. Learned against the true one, a
// table takes for granted what it will not have: that no fault has ever been
// taken for normal. (The same is done step by step in imitation learning: Ross,
// Gordon and Bagnell, A reduction of imitation learning to no-regret online
// learning, 2011.)
//
// A machine may lack any channel. So every example is learned from twice, once
// as it is and once with the features of some channels taken away at random,
// which makes leaving a feature out close to integrating over it. Single features
// are taken away from that one too.
//
// The same examples and seed give the same table, whatever the number of
// processors. There is no clock and no input or output here.
package learn
