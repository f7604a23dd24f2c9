// Package visit leads a tech through the check at a machine and says what
// becomes of it: which check comes next, what each answer says of the causes,
// what to do with the product, and whether a repair held. It is pure: a visit is
// a value, and time is an argument.
//
// An answer moves the probabilities by Bayes' rule from those the models had
// when the visit began. The likelihoods are in checks.yaml; they are common
// practice, no source, and taken as independent given the cause.
package visit
