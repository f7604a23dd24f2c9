// Package life recognises ordinary life: what people, the weather and the
// machine's own timers do to it that is no fault. It is shown on the timeline,
// so that whoever reads a strip sees why it moved, and it is never alarmed.
//
// Each kind has a file and needs its own channels:
//
//	door traffic     door: openings far above a Poisson stream of the machine's own mean rate
//	defrost          run state, cabinet air, coil: frost holds the coil at 0 °C, only a heater
//	                 lifts it above the air, a timer ends its pauses at equal spaces
//	energy saver     air at the stops: it stands higher for hours, at the same hours every day
//	heat wave        ambient: a day's mean far above that of the days before
//	power blip       voltage or current gone for minutes; or a pause in the
//	                 readings during which the compressor was stopped half way
//	sensor replaced  one temperature steps, stays stepped, and no other moves with it
//
// Warm product, cleaning and a moved setpoint are told from faults by the
// diagnosis, which sees every feature; it notes them here. The state is plain
// memory of fixed size, and a reading costs some tens of nanoseconds.
package life
