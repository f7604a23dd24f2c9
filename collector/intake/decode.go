package intake

import (
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
// without a unit is taken to be in it, as the telemetry contract gives every
// channel one (RFC 8428, 4.5.2 leaves this to the application). A value that is
// impossible there is refused and still kept in Extra, under the channel's name
// and in its unit (Text is "NaN" for what is no number), so that a broken probe
// can be told from one that is not there.
//
// A boolean channel takes vb, and v of exactly 0 or 1 with no unit or that of a
// switch ("/", and "%" which is the same, RFC 8428, 12.1, note 2). Channels that
// are not in the table go to Extra as they are.
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
		if !r.Placed {
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
