// Package detect says what is wrong with a machine, and how long its product
// has. It is pure: a model is a function of its state and the readings; there
// is no clock and no input or output here.
package detect

import (
	"strings"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect/channel"
	"coilward/detect/fault"
	"coilward/detect/life"
)

// Change is what happened to a finding.
type Change uint8

// Changes of a finding.
const (
	Raised Change = iota
	Revised
	Cleared
)

func (c Change) String() string { return [...]string{"raised", "revised", "cleared"}[c] }

// Candidate is a cause and how probable it is.
type Candidate struct {
	Fault       fault.Fault
	Probability float64
}

// Evidence is one observation that moved the probabilities.
type Evidence struct {
	Text    string            // plain words with numbers, °C and local units left to the reader's screen
	Channel collector.Channel // the strip it belongs beside
	Since   collector.Millis  // event time from which it holds
	Weight  float64           // nats it moved the leading cause by; negative: against
}

// against words what spoke against a fault: evidence that rules it out.
func (e Evidence) against(f fault.Fault) Evidence {
	e.Text = "not " + f.String() + ": " + e.Text
	return e
}

// Against takes evidence that rules a fault out apart again; ok is false for other
// evidence.
func (e Evidence) Against() (f fault.Fault, why string, ok bool) {
	rest, ok := strings.CutPrefix(e.Text, "not ")
	name, why, cut := strings.Cut(rest, ": ")
	if !ok || !cut || f.UnmarshalText([]byte(name)) != nil {
		return fault.Well, "", false
	}
	return f, why, true
}

// Side is the product limit that is in danger.
type Side uint8

// Sides of the band.
const (
	NoSide Side = iota
	Warm
	Cold
)

// Finding is one change of one thing that is wrong with one machine.
//
// (ID, Seq) is unique and deterministic: the same readings give the same
// pairs, so a consumer that has seen a pair may drop it.
type Finding struct {
	ID       string
	Seq      int // 0 raised, then one more each change
	Machine  string
	Site     string
	Change   Change
	At       collector.Millis // pipeline time at which this is said
	RaisedAt collector.Millis // pipeline time of Seq 0
	Since    collector.Millis // event time at which the trouble seems to have begun

	Fault       fault.Fault // the leading cause
	Probability float64
	Candidates  []Candidate // most probable first, the leading one included

	HasProduct         bool // ProductTemperature is known
	ProductTemperature quantity.Celsius

	// When the product is expected to leave its limit if nobody acts, with an
	// early and a late bound; 0 when it is not expected to.
	LimitAt, LimitEarly, LimitLate collector.Millis
	LimitSide                      Side

	OutSince collector.Millis // event time since which the product has been outside its limits; 0: it is not, or not known
	FilledAt collector.Millis // event time of the last restock that was recognised; 0: none

	// Which sensor is wrong, and how, of a sensor fault; SensorSort is channel.None
	// where that is not known.
	SensorSort channel.Sort
	Sensor     collector.Channel

	Evidence []Evidence // two to five, strongest first
	RuledOut []Evidence // what spoke against the runners-up
}

// RunState is what the compressor is doing.
type RunState uint8

// Run states.
const (
	RunUnknown RunState = iota
	Running
	Stopped
	Tripped // stopped while called for
)

// View is what the model believes of a machine now, for screens.
type View struct {
	Machine     string
	Site        string
	At          collector.Millis // newest event time the model has seen
	LastHeard   collector.Millis // pipeline time of the newest message
	LinkLost    bool             // the broker saw its connection break, and nothing was heard since (last will)
	Has         collector.ChannelSet
	Value       [collector.NumChannels]float64 // latest of each channel
	Run         RunState
	RunFraction float64 // share of the time the compressor ran, 0..1, a mean that decays over 10 h and begins anew with a visit; NaN not known yet

	HasProduct         bool
	ProductTemperature quantity.Celsius
	ProductSD          quantity.Kelvin

	WellProbability float64 // posterior of no fault
	CapacityShare   float64 // cooling capacity now over this machine's own well state; NaN unknown
	HasHotDayLimit  bool
	HotDayLimit     quantity.Celsius // ambient above which it could not hold
	HotDaySD        quantity.Kelvin  // of the limit
	HotDay          HotDayState      // why the limit is known or not
	Learned         bool             // the machine's own well state is known
	CutOut, CutIn   quantity.Celsius // learned; NaN unknown
	OpenFindings    []Finding        // latest state of each that is not cleared
	Happenings      []Happening      // recent ordinary life, oldest first
}

// HotDayState is what is known of the ambient that a machine can still hold.
type HotDayState uint8

// What is known of a hot day.
const (
	HotDayNotYet    HotDayState = iota // it needs a day of whole cycles, or sees too little
	HotDayNoAmbient                    // no channel tells of the room
	HotDayByKind                       // mostly by machines of its kind
	HotDayOwn                          // by what this machine has shown
)

func (h HotDayState) String() string {
	return [...]string{"not known yet", "its room is not measured", "mostly by its kind", "by its own days"}[h]
}

// HappeningKind is a recognised piece of ordinary life.
type HappeningKind = life.Kind

// Ordinary life that is recognised, shown on the timeline and not alarmed.
const (
	Restock        = life.Restock
	DoorTraffic    = life.DoorTraffic
	Defrost        = life.Defrost
	Cleaning       = life.Cleaning
	SetpointMoved  = life.SetpointMoved
	EnergySaver    = life.EnergySaver
	HeatWave       = life.HeatWave
	PowerBlip      = life.PowerBlip
	LinkOutage     = life.LinkOutage
	SensorReplaced = life.SensorReplaced
)

// Happening is a piece of ordinary life on a machine's timeline.
type Happening struct {
	Kind     HappeningKind
	From, To collector.Millis // event time; To 0 while it lasts
	Text     string
}

// TracePoint is the model's state at one instant, for charts.
type TracePoint struct {
	At                      collector.Millis
	Run                     RunState
	AirLow, AirHigh         quantity.Celsius // expected band; NaN unknown
	Product                 quantity.Celsius // NaN unknown
	ProductLow, ProductHigh quantity.Celsius
}
