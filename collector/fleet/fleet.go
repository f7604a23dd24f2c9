// Package fleet holds the sites, the machines at them, what they carry and the
// limits it must be kept within, as the fleet file says.
package fleet

import (
	"time"

	"coilward/collector"
	"coilward/collector/quantity"
)

// Kind is how a machine is built.
type Kind uint8

// Kinds of machine, as in the fleet file.
const (
	StackVendor      Kind = iota // closed front, columns of cans or bottles
	GlassFrontVendor             // vendor with a window, delivery port
	GlassDoor                    // cooler that customers open
	OpenFront                    // no door; air curtain
	NumKinds         int  = iota
)

// Product is what a machine holds, and so what limits apply.
type Product uint8

// Classes of product, as in the fleet file.
const (
	SealedBeverage Product = iota
	Dairy
	TCSFood         // time/temperature control for safety food
	NumProducts int = iota
)

// FanControl is when the evaporator fan runs.
type FanControl uint8

// Ways to control an evaporator fan, as in the fleet file.
const (
	FanUnknown FanControl = iota // the file does not say; learned
	FanContinuous
	FanWithCompressor
	FanDoorSwitched
)

// Limits are what the product must stay within.
type Limits struct {
	Warm quantity.Celsius
	Cold quantity.Celsius
}

// Machine is one cabinet as the fleet file describes it. A nil pointer means
// the file does not say.
type Machine struct {
	ID                 string
	Site               string // the site's ID
	Kind               Kind
	Product            Product
	Limits             Limits
	Setpoint           *quantity.Celsius // centre of cut-out and cut-in
	Differential       *quantity.Kelvin  // cut-in − cut-out
	Refrigerant        string
	EvaporatorFan      FanControl
	RefrigeratedVolume float64              // m³; 0: unknown
	LoadValue          float64              // money; 0: unknown
	Channels           collector.ChannelSet // 0: learned
	Unlisted           bool                 // heard on MQTT, not in the file; defaults apply
}

// Site is a place with machines.
type Site struct {
	ID        string
	Name      string
	Latitude  float64 // degrees north
	Longitude float64 // degrees east
	Location  *time.Location
	Machines  []*Machine
}

// Fleet is every site and machine.
type Fleet struct {
	Sites []*Site
}
