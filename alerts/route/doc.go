// Package route plans which tech goes where, in which order, with what in the
// van. It is pure: the same problem, seed and number of iterations give the
// same plan; time is an argument.
//
// A plan minimises money: expected product loss, which grows with the time of
// arrival at each stop, plus driving, plus overtime. Opening hours, shifts and
// skills are never broken: a stop that cannot be reached within them is listed
// as left out, with the reason.
//
// Up to eight stops for one tech are solved exactly by branch and bound. More
// are built by regret insertion and improved by adaptive large neighbourhood
// search (Ropke & Pisinger 2006, Transportation Science 40; from memory) with
// 2-opt, Or-opt, relocation, exchange and 2-opt* (tail exchange) inside.
package route
