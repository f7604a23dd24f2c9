package alerts

import (
	"fmt"
	"slices"

	"coilward/collector"
	"coilward/collector/quantity"
	"coilward/detect"
	"coilward/detect/fault"
)

// CauseKind is what an alert is about.
type CauseKind uint8

// Kinds of cause.
const (
	MachineCause  CauseKind = iota // one machine
	SitePower                      // a site without power
	Uplink                         // a site's gateway or uplink
	SharedLink                     // several sites at once: the broker, or a link they share
	NumCauseKinds int       = iota
)

var causeNames = [NumCauseKinds]string{"machine", "site power", "uplink", "shared link"}

func (k CauseKind) String() string { return causeNames[k] }

// MarshalText writes the kind's name.
func (k CauseKind) MarshalText() ([]byte, error) { return []byte(causeNames[k]), nil }

// UnmarshalText reads a kind's name.
func (k *CauseKind) UnmarshalText(b []byte) error {
	i := slices.Index(causeNames[:], string(b))
	if i < 0 {
		return fmt.Errorf("kind of cause %q is not known", b)
	}
	*k = CauseKind(i)
	return nil
}

// Member is one machine of an alert.
type Member struct {
	Finding string
	Machine string
	Site    string
	Fault   fault.Fault
	Active  bool
}

// Alert is what a person is told: one cause, its state, and what it is about.
type Alert struct {
	ID      string // deterministic: made of the first finding's
	Seq     int    // one more each change; (ID, Seq) is unique
	Cause   CauseKind
	Site    string // of the first member
	Machine string // "" where the cause is not one machine
	Members []Member

	State    State
	Active   bool // the trouble is there now
	Priority Priority
	Peak     Priority // the highest since it was last raised, recurred or rearmed
	Basis    Reason   // why it has the priority, as facts
	Why      string   // likewise in one line, as it was when this was copied; see WhyAt
	Latched  bool     // food that was over its limit is aboard: not to be sold until serviced and restocked
	OpenedAt collector.Millis
	MovedAt  collector.Millis // last change of state
	Since    collector.Millis // when the trouble seems to have begun

	Fault              fault.Fault
	Probability        float64
	Candidates         []detect.Candidate
	HasProduct         bool
	ProductTemperature quantity.Celsius
	LimitAt            collector.Millis // 0: not expected
	LimitEarly         collector.Millis
	LimitLate          collector.Millis
	LimitSide          detect.Side
	Evidence           []detect.Evidence
	RuledOut           []detect.Evidence

	AcknowledgedBy string
	AcknowledgedAt collector.Millis
	RepairedBy     string           // by name; the last repair of this trouble
	RepairedAt     collector.Millis // likewise
	WatchedUntil   collector.Millis // the models are waited for after a repair; 0: they are not
	ShelvedUntil   collector.Millis
	Reason         string // of shelving, suppression or being out of service
	Recurrences    int
}

// Clone returns a copy that shares nothing that changes.
func (a *Alert) Clone() Alert {
	c := *a
	c.Members = slices.Clone(a.Members)
	c.Candidates = slices.Clone(a.Candidates)
	return c
}
