package intake

import (
	"encoding/base64"
	"errors"
	"math"
	"slices"

	"coilward/collector"
	"coilward/collector/senml"
)

// Bounds used where the options say nothing.
const (
	DefaultRoot     = "cabinets"
	DefaultMaxExtra = 32
)

// DecoderOptions configures a Decoder. Zero means the default.
type DecoderOptions struct {
	Root       string // first level, or levels, of the topics
	MaxBytes   int    // of one payload; 256 KiB
	MaxRecords int    // of one pack; 8192
	MaxExtra   int    // values of unknown channels in one reading
}

// Decoder turns messages into readings. It keeps memory from one message to the
// next, so that the usual message allocates nothing. It is for one goroutine.
type Decoder struct {
	root     string
	maxExtra int
	pack     *senml.Decoder
	order    []instant
	refusals []Refusal
	words    words
}

// instant places a resolved record in time.
type instant struct {
	at     collector.Millis
	record int32 // index into the resolved records
}

// NewDecoder returns a decoder for the topics below the root.
func NewDecoder(o DecoderOptions) *Decoder {
	if o.Root == "" {
		o.Root = DefaultRoot
	}
	if o.MaxExtra <= 0 {
		o.MaxExtra = DefaultMaxExtra
	}
	return &Decoder{
		root:     o.Root,
		maxExtra: o.MaxExtra,
		pack:     senml.NewDecoder(senml.Options{MaxBytes: o.MaxBytes, MaxRecords: o.MaxRecords}),
		words:    words{},
	}
}

// Decode appends to dst the readings that a message carries: one for every
// instant, in order of time. Received is when the message came in; times that
// are relative count from it.
//
// What was refused or repaired is returned beside the readings, valid until the
// next call; nothing is returned when all was well. A record that is refused
// takes none of the others with it. The readings keep no reference to payload,
// and their Site and Machine are parts of topic.
//
// Known channels are converted to the unit of the channel table; a value
// without a unit is taken to be in it, as the contract gives every channel one
// (RFC 8428, 4.5.2 leaves this to the application). A value that is impossible
// there is refused and still kept in Extra, under the channel's name and in its
// unit (Text is "NaN" for what is no number), so that a broken probe can be told
// from one that is not there. A boolean channel takes vb,
// and v of exactly 0 or 1 with no unit or that of a switch ("/", and "%" which
// is the same, RFC 8428, 12.1, note 2). Channels that are not in the table go
// to Extra as they are.
//
// Absolute times far in the future are looked at again as milliseconds and
// microseconds: when that lands between a year before and a day after received,
// the sender counted in it, and the time is repaired and reported as
// RepairedTime, once a message. Nothing else is repaired.
func (d *Decoder) Decode(dst []collector.Reading, received collector.Millis, topic string, payload []byte) ([]collector.Reading, []Refusal) {
	d.refusals = d.refusals[:0]
	address, ok := parseTopic(d.root, topic)
	if !ok {
		d.refuse(Refusal{Reason: collector.BadTopic, Record: WholeMessage, Channel: clip(topic)})
		return dst, d.refusals
	}
	if address.status {
		return d.status(dst, received, address, payload), d.refusals
	}
	records, err := d.pack.Decode(payload)
	var resolved []senml.Resolved
	if err == nil {
		resolved, err = d.pack.Resolve(records, float64(received)/1000)
	}
	if err != nil {
		reason := collector.Malformed
		if errors.Is(err, senml.ErrTooLarge) {
			reason = collector.TooLarge
		}
		d.refuse(Refusal{Reason: reason, Record: WholeMessage, err: err})
		return dst, d.refusals
	}
	d.arrange(resolved, received)
	return d.gather(dst, received, address, resolved), d.refusals
}

// status makes the reading of a status message.
func (d *Decoder) status(dst []collector.Reading, received collector.Millis, a address, payload []byte) []collector.Reading {
	r := collector.Reading{Machine: a.machine, Site: a.site, At: received, Received: received}
	switch string(payload) {
	case "online":
		r.Status = collector.Online
	case "offline":
		r.Status = collector.Offline
	default:
		d.refuse(Refusal{Reason: collector.Malformed, Record: WholeMessage, err: errStatus})
		return dst
	}
	return append(dst, r)
}

var errStatus = errors.New(`a status is "online" or "offline"`)

// Times that are further off than these are no times.
const (
	earliest = 0            // 1970-01-01
	latest   = 253402300800 // 10000-01-01
)

// Bounds of a time that was sent in another unit than seconds, in ms about
// received. A backlog may be months old.
const (
	repairBefore = 366 * 24 * 3600 * 1000
	repairAfter  = 24 * 3600 * 1000
)

// arrange refuses records with a problem of their own and puts the others in
// order of time into d.order.
func (d *Decoder) arrange(resolved []senml.Resolved, received collector.Millis) {
	d.order = d.order[:0]
	sorted, repaired := true, false
	for i := range resolved {
		r := &resolved[i]
		if r.Problem != senml.NoProblem && !r.Placed {
			reason := collector.Malformed
			switch r.Problem {
			case senml.NotFinite:
				reason = collector.Impossible
			case senml.WrongType:
				reason = collector.WrongType
			}
			d.refuse(Refusal{Reason: reason, Record: r.Index, Channel: labelOf(r.Name), err: r.Err()})
			continue
		}
		at, scale := milliseconds(r.Time, received)
		if scale > 1 && !repaired {
			repaired = true
			d.refuse(Refusal{Reason: collector.RepairedTime, Record: r.Index, Channel: labelOf(r.Name), value: r.Time, scale: scale})
		}
		if r.Time < earliest || scale == 0 {
			reason := collector.TooOld
			if r.Time > earliest {
				reason = collector.FromFuture
			}
			d.refuse(Refusal{Reason: reason, Record: r.Index, Channel: labelOf(r.Name), value: r.Time})
			continue
		}
		if n := len(d.order); n > 0 && at < d.order[n-1].at {
			sorted = false
		}
		d.order = append(d.order, instant{at, int32(i)})
	}
	if !sorted {
		slices.SortStableFunc(d.order, func(a, b instant) int {
			switch {
			case a.at < b.at:
				return -1
			case a.at > b.at:
				return 1
			}
			return 0
		})
	}
}

// milliseconds converts a time in seconds. scale is what t had to be divided by
// to be in seconds: 1, or 1e3 or 1e6 where the sender counted in milliseconds or
// microseconds, or 0 where the time is beyond use.
func milliseconds(t float64, received collector.Millis) (at collector.Millis, scale float64) {
	// A clock that is a century off is broken; one that is a thousand
	// centuries off counts in another unit.
	if t < float64(received)/1000+100*365.25*24*3600 {
		return collector.Millis(math.Round(t * 1000)), 1
	}
	for _, scale := range [...]float64{1e3, 1e6} {
		at := collector.Millis(math.Round(min(t/scale*1000, 1e18)))
		if at >= received-repairBefore && at <= received+repairAfter {
			return at, scale
		}
	}
	if t >= latest {
		return 0, 0
	}
	return collector.Millis(math.Round(t * 1000)), 1
}

// gather makes a reading of every instant in d.order at which anything was
// accepted.
func (d *Decoder) gather(dst []collector.Reading, received collector.Millis, a address, resolved []senml.Resolved) []collector.Reading {
	first := len(dst)
	for _, o := range d.order {
		r := &resolved[o.record]
		name := channelName(r.Name)
		c, known := channels.find(name)
		var v float64
		impossible := false
		if known {
			var reason collector.Reason
			if v, reason = valueOf(c, r); reason != collector.NoReason {
				d.refuse(Refusal{Reason: reason, Record: r.Index, Channel: c.String(), err: r.Err(), value: number(r), unit: clip(string(r.Unit))})
				if reason != collector.Impossible {
					continue
				}
			}
			impossible = reason == collector.Impossible
		} else if reason, err := checkExtra(r, name); err != nil {
			d.refuse(Refusal{Reason: reason, Record: r.Index, Channel: labelOf(name), err: err})
			continue
		}
		if len(dst) == first || dst[len(dst)-1].At != o.at {
			dst = append(dst, collector.Reading{Machine: a.machine, Site: a.site, At: o.at, Received: received})
		}
		reading := &dst[len(dst)-1]
		switch {
		case impossible:
			d.addImpossible(reading, c, v)
		case !known:
			d.addExtra(reading, r, name)
		case reading.Has.Has(c):
			d.refuse(Refusal{Reason: collector.Duplicate, Record: r.Index, Channel: c.String(), value: v})
		default:
			reading.Has = reading.Has.With(c)
			reading.Value[c] = v
		}
	}
	return dst
}

// checkExtra says why a value of an unknown channel is not kept.
func checkExtra(r *senml.Resolved, name []byte) (collector.Reason, error) {
	switch {
	case r.Problem != senml.NoProblem:
		return collector.Impossible, r.Err()
	case len(name) == 0:
		return collector.Malformed, errNoName
	case r.Kind == senml.NoKind:
		return collector.WrongType, errSumOnly
	case len(name) > maxWord || len(r.Unit) > maxWord || len(r.Text) > maxText:
		return collector.TooLarge, errLong
	}
	return collector.NoReason, nil
}

// addImpossible keeps a value that channel c cannot have beside the readings:
// it says nothing of the cabinet and much of the probe.
func (d *Decoder) addImpossible(reading *collector.Reading, c collector.Channel, v float64) {
	x := collector.Extra{Name: c.String(), Unit: infos[c].Unit, Value: v}
	if v-v != 0 {
		x.Value, x.Text = 0, "NaN"
	}
	if len(reading.Extra) < d.maxExtra {
		reading.Extra = append(reading.Extra, x)
	}
}

// addExtra keeps a value of a channel that is not in the table.
func (d *Decoder) addExtra(reading *collector.Reading, r *senml.Resolved, name []byte) {
	x := collector.Extra{Name: d.words.intern(name), Unit: d.words.intern(r.Unit), Value: number(r)}
	switch r.Kind {
	case senml.IsString:
		x.Text = string(r.Text)
	case senml.IsData:
		x.Text = base64.RawURLEncoding.EncodeToString(r.Text) // as RFC 8428 writes data in JSON
	}
	for i := range reading.Extra {
		if reading.Extra[i].Name == x.Name {
			d.refuse(Refusal{Reason: collector.Duplicate, Record: r.Index, Channel: x.Name, value: x.Value})
			return
		}
	}
	if len(reading.Extra) >= d.maxExtra {
		d.refuse(Refusal{Reason: collector.TooLarge, Record: r.Index, Channel: x.Name, err: errExtra})
		return
	}
	reading.Extra = append(reading.Extra, x)
}

// Bounds of what is kept of an unknown channel, bytes.
const (
	maxWord = 64 // name, unit
	maxText = 256
)

var (
	errNoName  = errors.New("no channel is named behind the last slash")
	errSumOnly = errors.New("a sum alone is no value of a channel; send the value")
	errLong    = errors.New("name, unit or text of a channel that is not in the channel table is too long")
	errExtra   = errors.New("too many channels that are not in the channel table")
)
