// Package collector holds what the cabinets said: the channels, the reading
// that carries them, and the rules by which a reading is admitted and put in
// order. Input, output and disks are in its sub-packages.
package collector

import "time"

// Millis is a point in time: milliseconds since the Unix epoch, UTC. Models
// keep time in this form because it is small and exact.
type Millis int64

// MillisOf converts a time, dropping what is below a millisecond.
func MillisOf(t time.Time) Millis { return Millis(t.UnixMilli()) }

// Time returns m as a UTC time.
func (m Millis) Time() time.Time { return time.UnixMilli(int64(m)).UTC() }

// Sub returns m − n.
func (m Millis) Sub(n Millis) time.Duration { return time.Duration(m-n) * time.Millisecond }

// Add returns the time d after m.
func (m Millis) Add(d time.Duration) Millis { return m + Millis(d/time.Millisecond) }

// Status is what a machine's status topic said.
type Status uint8

// A reading with a status other than NoStatus carries no channels.
const (
	NoStatus Status = iota
	Online
	Offline // the broker sent the machine's last will
	Away    // of Pipeline: nothing was taken from At until Received
)

// Pipeline is whom a reading is of that notes what the pipeline itself did. No
// machine can have this name.
const Pipeline = "-"

// Absence is the note that nobody listened from one pipeline time to another.
// It is kept among the readings, at its place in their order, so that a replay
// of them knows what the live run knew.
func Absence(from, until Millis) Reading {
	return Reading{Machine: Pipeline, Site: Pipeline, At: from, Received: until, Status: Away}
}

// Reading is what one machine said of one instant. Values are in the units of
// the channel table; booleans are 0 or 1. Value[c] means nothing unless Has
// holds c.
//
// At is event time: when the machine measured. Received is pipeline time: when
// the message came in. Nothing compares the two except admission and the
// orderer.
type Reading struct {
	Machine  string
	Site     string // from the topic
	At       Millis
	Received Millis
	Status   Status
	Has      ChannelSet
	Value    [NumChannels]float64
	Extra    []Extra // what is kept beside the channels, not modelled
}

// Extra is a value of a channel that is not in the table; or, under the name of
// one that is, a value it cannot have, as a broken probe sends.
type Extra struct {
	Name  string
	Unit  string
	Value float64
	Text  string // for string values; Value is then meaningless
}
