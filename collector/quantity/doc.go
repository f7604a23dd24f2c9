// Package quantity holds the physical units that cross package borders, one
// type a unit, and the conversions between them that are exact.
//
// A number that one package hands to another says its unit by its type, so that
// volts do not add to amperes and a difference of temperatures is no
// temperature. Inside a numeric kernel bare float64 is fine, with the units
// stated once at the top. The units are those of the channel table; what comes
// over the wire in others is converted before it gets here, and people see °F
// only where they asked for it.
package quantity
