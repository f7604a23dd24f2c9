package fault

// turnsInto holds, for each fault, the faults that it leads to, so that the
// second is told with the first. The physics of the first three groups is that of
// the fault direction table; a machine without power or unheard cannot say
// anything else.
var turnsInto = func() (a [Num]uint32) {
	lead := func(effect Fault, causes ...Fault) {
		for _, c := range causes {
			a[c] |= 1 << effect
		}
	}
	// Air that is moist, or does not move, or a coil that is cold in part only.
	lead(CoilIced, EvaporatorFanStopped, DoorOpen, DoorLeak, RefrigerantLow)
	// Heat that does not leave the condenser trips the overload.
	lead(CompressorNotStarting, CondenserFanStopped, CondenserBlocked, PowerLost)
	lead(Silent, PowerLost)
	lead(ThermostatStuckOff, PowerLost)
	// What had no name gets one.
	for c := EvaporatorFanStopped; c <= PowerLost; c++ {
		lead(Unknown, c)
	}
	return a
}()

// TurnsInto reports whether f leads to effect: seen with f, effect is no trouble
// of its own.
func (f Fault) TurnsInto(effect Fault) bool { return turnsInto[f]&(1<<effect) != 0 }
