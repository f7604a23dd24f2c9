package feature

import (
	"fmt"

	"coilward/collector"
)

// Topic groups features that say the same to a person.
func (i ID) Topic() ID {
	if int(i) >= NumProfiles && int(i) < 2*NumProfiles {
		return i - ID(NumProfiles)
	}
	return i
}

// Describe puts a feature in plain words with its numbers. An empty text means
// that a person would learn nothing from it.
func (t *Tracker) Describe(i ID, v *Vector) (text string, ch collector.Channel, since collector.Millis) {
	return fmt.Sprintf("%s %.2f", i, v.Value[i]), collector.CabinetAir, 0
}
