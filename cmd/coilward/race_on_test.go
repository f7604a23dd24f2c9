//go:build race

package main

// underRace reports that the race detector watches. What is only worked out is the
// same with it and takes ten times as long.
const underRace = true
