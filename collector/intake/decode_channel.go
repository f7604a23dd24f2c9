package intake

import (
	"bytes"
	"math"

	"coilward/collector"
	"coilward/collector/senml"
)

// channelName returns what follows the last slash: the rest is the device's
// prefix, which the contract tells us to ignore.
func channelName(name []byte) []byte {
	return name[bytes.LastIndexByte(name, '/')+1:]
}

// valueOf returns the value of r in the unit of channel c, or why it cannot be
// one. For Impossible the value is returned too, NaN for one that no double
// holds.
func valueOf(c collector.Channel, r *senml.Resolved) (float64, collector.Reason) {
	info := &infos[c]
	if r.Problem != senml.NoProblem {
		return math.NaN(), collector.Impossible
	}
	if info.Unit == "" {
		return stateOf(r)
	}
	if r.Kind != senml.IsNumber {
		return 0, collector.WrongType
	}
	v := r.Value
	if len(r.Unit) > 0 && string(r.Unit) != info.Unit {
		var ok bool
		if v, ok = senml.Convert(v, r.Unit, info.Unit); !ok {
			return 0, collector.UnknownUnit
		}
	}
	if !(v >= info.Min && v <= info.Max) {
		return v, collector.Impossible
	}
	return v, collector.NoReason
}

// stateOf returns the state that r gives a boolean channel, as 0 or 1.
func stateOf(r *senml.Resolved) (float64, collector.Reason) {
	switch r.Kind {
	case senml.IsBoolean:
		return number(r), collector.NoReason
	case senml.IsNumber:
		if len(r.Unit) > 0 && string(r.Unit) != "/" && string(r.Unit) != "%" {
			return 0, collector.UnknownUnit
		}
		if r.Value == 0 || r.Value == 1 {
			return r.Value, collector.NoReason
		}
	}
	return 0, collector.WrongType
}

// number returns the value of a record as a number; of a boolean 0 or 1.
func number(r *senml.Resolved) float64 {
	if r.Kind == senml.IsBoolean && r.Bool {
		return 1
	}
	return r.Value
}

// infos are the rows of the channel table, to be used without copying.
var infos = func() (t [collector.NumChannels]collector.ChannelInfo) {
	for c := range t {
		t[c] = collector.Channel(c).Info()
	}
	return t
}()

// channelTable finds a channel by its name in bytes: a hash with the seed that
// gives every channel a slot of its own, so that one comparison decides.
type channelTable struct {
	seed  uint32
	slots [256]uint8 // channel + 1; 0: empty
}

var channels = func() (t channelTable) {
search:
	for t.seed = 1; t.seed < 1<<20; t.seed += 2 {
		t.slots = [256]uint8{}
		for c := range infos {
			slot := &t.slots[t.slot([]byte(infos[c].Name))]
			if *slot != 0 {
				continue search
			}
			*slot = uint8(c) + 1
		}
		return t
	}
	panic("intake: two channel names look the same to slot; let it see more of them")
}()

// slot hashes a name by its length and three of its characters, which tell the
// channels apart.
func (t *channelTable) slot(name []byte) uint8 {
	n := len(name)
	h := uint32(n) ^ uint32(name[0])<<8 ^ uint32(name[n-1])<<16 ^ uint32(name[n/2])<<24
	return uint8(h * t.seed >> 24)
}

func (t *channelTable) find(name []byte) (collector.Channel, bool) {
	if len(name) == 0 {
		return 0, false
	}
	c := t.slots[t.slot(name)]
	if c == 0 || infos[c-1].Name != string(name) {
		return 0, false
	}
	return collector.Channel(c - 1), true
}

// words keeps strings that come again with every message, names and units of
// unknown channels. It is bounded: whoever sends ever new ones only loses the
// saving.
type words map[string]string

const maxWords = 4096

func (w words) intern(b []byte) string {
	if s, ok := w[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(w) < maxWords {
		w[s] = s
	}
	return s
}
