package settings

import (
	"encoding/json"
	"fmt"
	"time"

	"coilward/alerts/ledger"
	"coilward/collector/fleet"
)

// Version is one entry of the log: a change of the settings, or the word that what
// a site tries is good for all.
type Version struct {
	Number int
	At     time.Time // when it was made
	Who    string
	Why    string

	State *fleet.Overrides // everything that is set with it

	ApplyAt time.Time     // not before; zero: at once
	Pilot   string        // the site that has it first; "": all at once
	Trial   time.Duration // for how long
	Ask     bool          // and then only on a word, else by itself
	Undoes  int           // the version that this one takes back; 0: none

	Confirms int // the version this is the word for; 0: it is a change
}

// from is when the version comes into effect, at the pilot site if it has one.
func (v *Version) from() time.Time {
	if v.ApplyAt.After(v.At) {
		return v.ApplyAt
	}
	return v.At
}

// pilotEnds is when what was tried comes into effect everywhere, if nobody must be
// asked.
func (v *Version) pilotEnds() time.Time { return v.from().Add(v.Trial) }

// PilotTime is how long one site tries a change before the others get it.
const PilotTime = 7 * 24 * time.Hour

// body is a version in the ledger.
type body struct {
	Format   int       `json:"format"`
	State    string    `json:"state,omitempty"` // YAML, as it is exported
	ApplyAt  time.Time `json:"apply_at,omitzero"`
	Pilot    string    `json:"pilot,omitempty"`
	Hours    float64   `json:"pilot_hours,omitempty"`
	Ask      bool      `json:"ask,omitempty"`
	Undoes   int       `json:"undoes,omitempty"`
	Confirms int       `json:"confirms,omitempty"`
}

func (v *Version) setting() (ledger.Setting, error) {
	b := body{Format: 1, ApplyAt: v.ApplyAt, Pilot: v.Pilot, Hours: v.Trial.Hours(), Ask: v.Ask, Undoes: v.Undoes, Confirms: v.Confirms}
	if v.State != nil {
		b.State = string(v.State.YAML())
	}
	text, err := json.Marshal(b)
	return ledger.Setting{Name: name, At: v.At, Who: v.Who, Why: v.Why, Body: text}, err
}

func versionOf(s ledger.Setting) (Version, error) {
	var b body
	if err := json.Unmarshal(s.Body, &b); err != nil {
		return Version{}, fmt.Errorf("version %d of the settings cannot be read: %w", s.Version, err)
	}
	if b.Format != 1 {
		return Version{}, fmt.Errorf("version %d of the settings is of format %d, this program knows 1; use the program that wrote it", s.Version, b.Format)
	}
	v := Version{
		Number: s.Version, At: s.At, Who: s.Who, Why: s.Why, ApplyAt: b.ApplyAt, Pilot: b.Pilot,
		Trial: time.Duration(b.Hours * float64(time.Hour)), Ask: b.Ask, Undoes: b.Undoes, Confirms: b.Confirms,
	}
	if v.Confirms != 0 {
		return v, nil
	}
	var err error
	if v.State, err = fleet.ParseOverrides(fmt.Sprintf("settings version %d", s.Version), []byte(b.State)); err != nil {
		return Version{}, err
	}
	return v, nil
}

// Phase is how far a version has come.
type Phase uint8

// Phases.
const (
	Replaced Phase = iota // a later version is in effect
	InEffect              // everywhere
	Piloted               // at one site
	Waiting               // for its time
	Word                  // no change: the word for one
)

func (p Phase) String() string {
	return [...]string{"replaced", "in effect", "tried at one site", "waiting for its time", "confirmation"}[p]
}

// Effect is what is in effect at a time.
type Effect struct {
	All    *fleet.Overrides
	Number int // of the version that is in effect everywhere; 0: none was ever

	Pending *Version  // waiting for its time, or tried at a site; nil: none
	Phase   Phase     // of Pending
	Until   time.Time // when Pending goes on by itself; zero: on a word
}

// At lays what is in effect over a fleet file.
func (e *Effect) At(f *fleet.Fleet) (*fleet.Fleet, error) {
	var pilot map[string]*fleet.Overrides
	if e.Pending != nil && e.Phase == Piloted {
		pilot = map[string]*fleet.Overrides{e.Pending.Pilot: e.Pending.State}
	}
	return f.With(e.All, pilot)
}

// Same reports whether both lay the same over a fleet file.
func (e *Effect) Same(o *Effect) bool {
	tried := func(e *Effect) int {
		if e.Pending != nil && e.Phase == Piloted {
			return e.Pending.Number
		}
		return 0
	}
	return e.Number == o.Number && tried(e) == tried(o)
}

// effect works out what the log says for a time.
func effect(log []Version, at time.Time) Effect {
	e := Effect{All: new(fleet.Overrides)}
	word := map[int]time.Time{}
	for i := range log {
		if of := log[i].Confirms; of != 0 && !log[i].At.After(at) {
			word[of] = log[i].At
		}
	}
	for i := range log {
		v := &log[i]
		if v.Confirms != 0 || v.At.After(at) {
			continue
		}
		_, confirmed := word[v.Number]
		switch {
		case v.from().After(at) && !confirmed:
			e.Pending, e.Phase, e.Until = v, Waiting, v.from()
		case v.Pilot != "" && !confirmed && (v.Ask || v.pilotEnds().After(at)):
			e.Pending, e.Phase, e.Until = v, Piloted, v.pilotEnds()
			if v.Ask {
				e.Until = time.Time{}
			}
		default:
			e.All, e.Number = v.State, v.Number
			e.Pending, e.Until = nil, time.Time{}
		}
	}
	return e
}
