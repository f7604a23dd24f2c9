// Package truth is what truly happened to a labelled fleet: which part was
// faulty from when to when, and what ordinary life befell the machines. Models
// are learned from it and assessed against it; nothing that watches a real
// fleet may import it.
//
// Times are seconds since the fleet's start.
package truth

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"coilward/collector"
	"coilward/detect/fault"
)

// Fleet is the truth of a fleet over some days.
type Fleet struct {
	Set      string    `json:"set"`
	Seed     uint64    `json:"seed"`
	Days     int       `json:"days"`
	StartS   float64   `json:"start_s"` // Unix time
	Machines []Machine `json:"machines"`
}

// End returns the length of the recording, s.
func (f *Fleet) End() float64 { return float64(f.Days) * 86400 }

// Seconds converts a time to seconds since the fleet's start.
func (f *Fleet) Seconds(m collector.Millis) float64 { return float64(m)/1000 - f.StartS }

// Millis converts seconds since the fleet's start to a time.
func (f *Fleet) Millis(s float64) collector.Millis {
	return collector.Millis(math.Round((f.StartS + s) * 1000))
}

// Machine is the truth of one machine.
type Machine struct {
	Machine  string       `json:"machine"`
	Site     string       `json:"site"`
	Set      string       `json:"set"` // basic, standard, full or another name for the channels it has
	Channels []string     `json:"channels"`
	Interval float64      `json:"interval_s"`
	Episodes []Episode    `json:"faults"`
	DontCare []DontCare   `json:"dont_care"`
	Gaps     [][2]float64 `json:"gaps_s"` // nothing was heard
	Life     Life         `json:"innocent"`
	Hourly   struct {
		Room []float64 `json:"room"` // °C
	} `json:"hourly"`
}

// Episode is one fault of one machine, from its onset to its repair.
type Episode struct {
	Fault       fault.Fault `json:"fault"`
	Mode        string      `json:"mode"`
	Onset       float64     `json:"onset_s"`
	Ended       *float64    `json:"ended_s"` // nil: it lasts
	Preexisting bool        `json:"preexisting"`

	// Aliases are faults that this machine's channels cannot tell from it.
	Aliases []fault.Fault `json:"aliases"`
	// Secondary are names that become right later, as ice on a coil whose fan
	// has stopped.
	Secondary []Secondary `json:"secondary"`
	// Intervals are when an intermittent fault was there; empty for others.
	Intervals []Span `json:"intervals"`
	// Channel is the one a sensor fault is of.
	Channel string `json:"channel"`

	// Material is the first measurable effect against a twin without the
	// fault; nil: there never was one.
	Material *float64 `json:"material_s"`
	// Limit is when the product left its limit; nil: it never did.
	Limit           *float64 `json:"limit_s"`
	LimitShared     bool     `json:"limit_shared"`     // another episode was the cause too
	LimitConfounded bool     `json:"limit_confounded"` // it would have left it some time anyway
	OutAtOnset      bool     `json:"out_at_onset"`
}

// End returns when the episode was over, at the latest the end of the recording.
func (e *Episode) End(recording float64) float64 {
	if e.Ended != nil {
		return *e.Ended
	}
	return recording
}

// Secondary is a name that is right from some time.
type Secondary struct {
	Fault fault.Fault `json:"fault"`
	From  float64     `json:"from_s"`
}

// DontCare is a time in which a finding is neither right nor wrong.
type DontCare struct {
	All    bool // of whatever fault
	Faults []fault.Fault
	From   float64
	To     float64
	Reason string
}

// Holds reports whether a finding of f at t is neither right nor wrong.
func (d *DontCare) Holds(f fault.Fault, t float64) bool {
	if t < d.From || t > d.To {
		return false
	}
	if d.All {
		return true
	}
	for _, g := range d.Faults {
		if f == g {
			return true
		}
	}
	return false
}

// UnmarshalJSON reads faults as a list of names, or "*" for all.
func (d *DontCare) UnmarshalJSON(b []byte) error {
	var raw struct {
		Faults json.RawMessage `json:"faults"`
		From   float64         `json:"from_s"`
		To     float64         `json:"to_s"`
		Reason string          `json:"reason"`
	}
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	*d = DontCare{From: raw.From, To: raw.To, Reason: raw.Reason}
	if string(bytes.TrimSpace(raw.Faults)) == `"*"` {
		d.All = true
		return nil
	}
	return json.Unmarshal(raw.Faults, &d.Faults)
}

// Life is the ordinary life of a machine.
type Life struct {
	Restocks    []Event `json:"restocks"`        // For is minutes
	Cleanings   []Event `json:"cleanings"`       // For is minutes
	Blips       []Event `json:"blips"`           // For is seconds without mains
	Outages     []Event `json:"outages"`         // For is seconds without a link
	Turns       []Event `json:"setpoint_turned"` // For is kelvin, not a time
	EnergySaver bool    `json:"energy_saver"`
}

// Event is something ordinary that happened: written as a list of the time, in
// RFC 3339, and one or more numbers of which the first is kept.
type Event struct {
	At  float64
	For float64
}

// UnmarshalJSON reads the list.
func (e *Event) UnmarshalJSON(b []byte) error {
	var raw []json.RawMessage
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	if len(raw) == 0 {
		return fmt.Errorf("event %s has no time", b)
	}
	if err := unmarshalTime(raw[0], &e.At); err != nil {
		return err
	}
	e.For = 0
	if len(raw) > 1 {
		return json.Unmarshal(raw[1], &e.For)
	}
	return nil
}

// Span is a time from and to, written as two times in RFC 3339.
type Span struct{ From, To float64 }

// UnmarshalJSON reads the pair.
func (s *Span) UnmarshalJSON(b []byte) error {
	var raw [2]json.RawMessage
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	if err := unmarshalTime(raw[0], &s.From); err != nil {
		return err
	}
	return unmarshalTime(raw[1], &s.To)
}

func unmarshalTime(b []byte, to *float64) error {
	var t time.Time
	if err := json.Unmarshal(b, &t); err != nil {
		return err
	}
	*to = float64(t.UnixMilli()) / 1000
	return nil
}

// Parse reads a truth file.
func Parse(data []byte) (*Fleet, error) {
	f := new(Fleet)
	if err := json.Unmarshal(data, f); err != nil {
		return nil, fmt.Errorf("truth: %w", err)
	}
	if f.Days <= 0 || f.StartS <= 0 {
		return nil, fmt.Errorf("truth: start_s and days say when the recording was; they are %v and %d", f.StartS, f.Days)
	}
	for i := range f.Machines {
		f.Machines[i].sinceStart(f.StartS)
	}
	return f, nil
}

// sinceStart makes the times that are written in RFC 3339 seconds since start.
func (m *Machine) sinceStart(start float64) {
	l := &m.Life
	for _, events := range [...][]Event{l.Restocks, l.Cleanings, l.Blips, l.Outages, l.Turns} {
		for i := range events {
			events[i].At -= start
		}
	}
	for i := range m.Episodes {
		for j := range m.Episodes[i].Intervals {
			s := &m.Episodes[i].Intervals[j]
			s.From, s.To = s.From-start, s.To-start
		}
	}
}
