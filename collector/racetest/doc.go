// Package racetest tells tests whether the race detector watches. What one goroutine
// works out, or a browser draws, is the same with it and takes ten times as long.
package racetest
