package collector

import (
	"math/bits"

	"coilward/collector/quantity"
)

// Channel is one thing a cabinet measures. The zero value is CabinetAir.
type Channel uint8

// The channels a machine may carry; see the table below for what each is.
const (
	CabinetAir Channel = iota
	SupplyAir
	CoilIn
	CoilOut
	Condenser
	CompressorShell
	Ambient
	Humidity
	CompressorCurrent
	MainsCurrent
	MainsVoltage
	EvapFanCurrent
	CondFanCurrent
	EvapFanSpeed
	CondFanSpeed
	CompressorCall
	Door
	Energy
	NumChannels int = iota
)

// ChannelInfo is one row of the channel table.
type ChannelInfo struct {
	Name string  // as on the wire and in the fleet file
	Unit string  // SenML unit (RFC 8428, 8798) that stored values are in; "" for a boolean
	Min  float64 // below this the value is physically impossible here
	Max  float64 // above this likewise
	What string  // for people
}

// channels says what can be believed. The limits are wide on purpose: they
// refuse what no cabinet can be (an open or shorted probe reads far outside
// them), and leave the merely odd to the models.
var channels = [NumChannels]ChannelInfo{
	CabinetAir:        {"cabinet_air", "Cel", -50, 90, "air at the evaporator's return, the air that has passed the product"},
	SupplyAir:         {"supply_air", "Cel", -60, 90, "air leaving the evaporator"},
	CoilIn:            {"coil_in", "Cel", -70, 110, "evaporator tube near the refrigerant inlet"},
	CoilOut:           {"coil_out", "Cel", -70, 110, "evaporator tube near the refrigerant outlet"},
	Condenser:         {"condenser", "Cel", -45, 130, "condenser tube at mid-coil"},
	CompressorShell:   {"compressor_shell", "Cel", -45, 180, "compressor shell"},
	Ambient:           {"ambient", "Cel", -45, 75, "air entering the condenser"},
	Humidity:          {"humidity", "%RH", 0, 105, "ambient relative humidity"},
	CompressorCurrent: {"compressor_current", "A", 0, 200, "compressor alone, RMS"},
	MainsCurrent:      {"mains_current", "A", 0, 250, "whole machine, RMS"},
	MainsVoltage:      {"mains_voltage", "V", 0, 600, "supply voltage, RMS"},
	EvapFanCurrent:    {"evap_fan_current", "A", 0, 30, "evaporator fan motor, RMS"},
	CondFanCurrent:    {"cond_fan_current", "A", 0, 30, "condenser fan motor, RMS"},
	EvapFanSpeed:      {"evap_fan_speed", "1/min", 0, 20000, "evaporator fan motor"},
	CondFanSpeed:      {"cond_fan_speed", "1/min", 0, 20000, "condenser fan motor"},
	CompressorCall:    {"compressor_call", "", 0, 1, "the thermostat calls for cooling"},
	Door:              {"door", "", 0, 1, "door open"},
	Energy:            {"energy", "Wh", 0, 1e12, "meter total since installation"},
}

// Info returns the channel's row of the table.
func (c Channel) Info() ChannelInfo { return channels[c] }

func (c Channel) String() string { return channels[c].Name }

// IsTemperature reports whether the channel is a temperature in °C.
func (c Channel) IsTemperature() bool { return channels[c].Unit == "Cel" }

// IsBool reports whether the channel is a state, true or false.
func (c Channel) IsBool() bool { return channels[c].Unit == "" }

// ChannelByName finds a channel by its name on the wire.
func ChannelByName(name string) (Channel, bool) {
	c, ok := channelsByName[name]
	return c, ok
}

var channelsByName = func() map[string]Channel {
	m := make(map[string]Channel, NumChannels)
	for c := range channels {
		m[channels[c].Name] = Channel(c)
	}
	return m
}()

// ChannelSet is a set of channels.
type ChannelSet uint32

// Has reports whether c is in the set.
func (s ChannelSet) Has(c Channel) bool { return s&(1<<c) != 0 }

// With returns the set with c added.
func (s ChannelSet) With(c Channel) ChannelSet { return s | 1<<c }

// Len returns how many channels are in the set.
func (s ChannelSet) Len() int { return bits.OnesCount32(uint32(s)) }

// All yields the channels of the set in table order.
func (s ChannelSet) All(yield func(Channel) bool) {
	for s != 0 {
		c := Channel(bits.TrailingZeros32(uint32(s)))
		if !yield(c) {
			return
		}
		s &^= 1 << c
	}
}

// Celsius returns the value of a temperature channel as a temperature.
func (r *Reading) Celsius(c Channel) (quantity.Celsius, bool) {
	return quantity.Celsius(r.Value[c]), r.Has.Has(c)
}
