package fault

import "strings"

// Caution is something to mind before somebody opens a machine.
type Caution uint8

// Cautions, the gravest first.
const (
	KeepThePlug     Caution = iota // 29 CFR 1910.147(a)(2)(iii)(A): the plug under the exclusive control of who works
	Capacitors                     // common practice, no source
	Flammable                      // charge limits: IEC 60335-2-89
	ReadThePlate                   // the refrigerant is not known
	SealedSystem                   // EPA Section 608
	HotParts                       // common practice, no source
	NeverChip                      // common practice, no source
	GroundedCord                   // common practice, no source
	BreakerTripped                 // common practice, no source
	TimeRule                       // FDA Food Code 3-501.16 and 3-501.19
	LocalCodesFirst                // and machines tip
	NumCautions     int     = iota
)

var cautionNames = [NumCautions]string{"plug", "capacitors", "flammable", "plate", "sealed", "hot", "ice", "cord", "breaker", "food", "codes"}

// Name is a short word for the caution, for templates.
func (c Caution) Name() string { return cautionNames[c] }

// Text is the caution as a sentence or two. refrigerant is what the machine
// holds, which Flammable names.
func (c Caution) Text(refrigerant string) string {
	switch c {
	case KeepThePlug:
		return "Unplug the machine and keep the plug in your own hands before opening it. Fans and the compressor restart by themselves."
	case Capacitors:
		return "Run and start capacitors hold charge after the plug is out. Work on them is for qualified people only."
	case Flammable:
		return refrigerant + " burns: no flame, no spark, ventilate before and while you work."
	case ReadThePlate:
		return "The refrigerant is not on file: read the plate first. R-290 and R-600a burn: no flame, no spark, ventilate."
	case SealedSystem:
		return "Sealed system: only a certified mechanic opens a refrigerant circuit (US: EPA Section 608; elsewhere the local rule). Check what can be checked from outside, then hand over."
	case HotParts:
		return "The discharge line and the compressor shell can pass 100 °C. Let them cool."
	case NeverChip:
		return "Thaw with the machine off and air moving; never chip ice. Fins cut, and the floor will be wet."
	case GroundedCord:
		return "Use only a heavy-duty, undamaged, grounded cord, and never leave one unattended."
	case BreakerTripped:
		return "If a breaker has tripped, do not reset it again and again: call an electrician."
	case TimeRule:
		return "Product past its limit is discarded or handled under the time rule, never tasted."
	case LocalCodesFirst:
		return "Machines tip: never rock one. Local codes and licensed practice come first."
	}
	return ""
}

// Burns reports whether a refrigerant is one that burns (R-290, R-600a).
func Burns(refrigerant string) bool {
	switch strings.ToUpper(strings.ReplaceAll(refrigerant, "-", "")) {
	case "R290", "R600A":
		return true
	}
	return false
}

// Cautions are what to show before somebody opens a machine for one of these
// causes, the gravest first. refrigerant is "" where it is not known; food says
// that the machine holds food under time and temperature control.
func Cautions(refrigerant string, food bool, causes ...Fault) []Caution {
	var on [NumCautions]bool
	on[KeepThePlug], on[LocalCodesFirst] = true, true
	on[Flammable], on[ReadThePlate] = Burns(refrigerant), refrigerant == ""
	on[TimeRule] = food
	for _, f := range causes {
		on[Capacitors] = on[Capacitors] || trades[f].electric
		on[SealedSystem] = on[SealedSystem] || trades[f].mechanic
		switch f {
		case CoilIced, EvaporatorFanStopped:
			on[NeverChip] = true
		case CompressorNotStarting, CompressorWeak, CondenserFanStopped, CondenserBlocked:
			on[HotParts] = true
		case PowerLost:
			on[GroundedCord], on[BreakerTripped] = true, true
		}
	}
	var out []Caution
	for c, is := range on {
		if is {
			out = append(out, Caution(c))
		}
	}
	return out
}
