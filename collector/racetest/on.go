//go:build race

package racetest

// Enabled reports that the race detector watches.
const Enabled = true
