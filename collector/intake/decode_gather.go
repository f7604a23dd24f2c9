package intake

import (
	"encoding/base64"
	"errors"

	"coilward/collector"
	"coilward/collector/senml"
)

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
	if len(reading.Extra) < d.maxExtra && !hasExtra(reading, x.Name) {
		reading.Extra = append(reading.Extra, x)
	}
}

func hasExtra(reading *collector.Reading, name string) bool {
	for i := range reading.Extra {
		if reading.Extra[i].Name == name {
			return true
		}
	}
	return false
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
	if hasExtra(reading, x.Name) {
		d.refuse(Refusal{Reason: collector.Duplicate, Record: r.Index, Channel: x.Name, value: x.Value})
		return
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
