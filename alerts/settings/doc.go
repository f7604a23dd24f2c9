// Package settings keeps the versions of what an admin lays over the fleet file:
// who changed what, when and why, what may be undone, what comes into effect at a
// time, and what one site tries before the others.
//
// The versions are a log that only grows, in the ledger, so that each is one
// transaction and is in every backup. What is in effect is a function of the log
// and the time: nothing has to run for a version to come into effect, and a daemon
// that was away for a week wakes up with the right settings.
package settings
