package collector

// Reason is why a record or a message was refused, or repaired on the way in.
// Reasons are few and fixed, so that each can be a label of a counter.
type Reason uint8

// The reasons. The zero value is no reason: nothing is wrong.
const (
	NoReason        Reason = iota
	Malformed              // not SenML, or a record that breaks its rules
	UnknownUnit            // a unit that does not convert to the channel's unit
	WrongType              // a number where a boolean belongs, or the reverse
	Impossible             // outside the range of the channel table, or not a number
	TooOld                 // measured longer ago than is kept
	FromFuture             // measured after it was received, by more than clocks may differ
	Duplicate              // the same machine, channel and instant came before
	TooLarge               // more bytes, records or instants than are taken at once
	BadTopic               // not {root}/{site}/{machine}/readings or …/status
	RepairedTime           // milliseconds or microseconds where seconds belong: repaired and kept
	RepairedClock          // the machine's clock is wrong by a known amount: put right and kept
	TooManyMachines        // an unlisted machine beyond the number that is taken
	NumReasons      int    = iota
)

var reasons = [NumReasons]string{
	NoReason:        "none",
	Malformed:       "malformed",
	UnknownUnit:     "unknown_unit",
	WrongType:       "wrong_type",
	Impossible:      "impossible",
	TooOld:          "too_old",
	FromFuture:      "from_future",
	Duplicate:       "duplicate",
	TooLarge:        "too_large",
	BadTopic:        "bad_topic",
	RepairedTime:    "repaired_time",
	RepairedClock:   "repaired_clock",
	TooManyMachines: "too_many_machines",
}

// String returns the reason in snake case, as in the labels of counters.
func (r Reason) String() string { return reasons[r] }

// Repaired reports whether what the reason was given for was put right and
// kept; everything with any other reason was refused.
func (r Reason) Repaired() bool { return r == RepairedTime || r == RepairedClock }
