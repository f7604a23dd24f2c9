// Package channel sorts what is wrong with a sensor, so that a tech knows whether
// to bring a probe, to swap two plugs or to set a unit.
//
//	stuck         it has not changed for long though the others live
//	open, short   its value lies below, or above, what the channel can have: a
//	              thermistor that breaks reads very cold, one that is bridged very
//	              hot; or it says nothing beside the others
//	swapped       two channels took each other's values in one instant
//	fahrenheit    from one instant on it is 9/5 of what it was and 32 more
//	erratic       it leaps and comes back, again and again: a loose plug
//	out of range  any other value that it cannot have
//	drifting      it left, little by little, what all the others agree on
//	contradicts   it disagrees with the others by as much since it stepped, or
//	              since it was first heard
//
// The signs of the first kinds are in the readings themselves and are kept as
// they pass (Watch); the last two are told from the machine's own normal when a
// finding is made (Offset). A sort says nothing of how probable a sensor fault is.
package channel
