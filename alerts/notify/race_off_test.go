//go:build !race

package notify

const underRace = false
