package history

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"

	"coilward/collector"
)

// Entry is a stored reading and its place in the order of arrival.
type Entry struct {
	Seq uint64
	collector.Reading
}

// Flags of a frame.
const (
	newMachine = 1 << iota
	newChannels
	newForms
	hasStatus
	hasExtra
	sameStep
	newSeqStep
)

const (
	rawForm    = 255
	mostDigits = 6
)

var pow10 = [mostDigits + 1]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6}

var errFrame = errors.New("a frame is damaged")

// coder holds what frames are relative to; it is the same for writing and
// reading.
type coder struct {
	machine, site string
	seq, seqStep  uint64
	at, step, lag int64
	has           collector.ChannelSet
	number        [collector.NumChannels]uint64 // integer of the decimal, or raw bits
	form          [collector.NumChannels]uint8
}

// append adds a frame for r to dst.
func (c *coder) append(dst []byte, seq uint64, r *collector.Reading) []byte {
	var flags byte
	start := len(dst)
	dst = append(dst, 0)
	if r.Machine != c.machine || r.Site != c.site {
		flags |= newMachine
		dst = appendString(appendString(dst, r.Machine), r.Site)
		c.machine, c.site = r.Machine, r.Site
	}
	if step := seq - c.seq; step != c.seqStep {
		flags |= newSeqStep
		dst = appendZigzag(dst, int64(step-c.seqStep))
		c.seqStep = step
	}
	c.seq = seq
	at, lag := int64(r.At), int64(r.Received)-int64(r.At)
	if step := at - c.at; step == c.step {
		flags |= sameStep
	} else {
		dst = appendZigzag(dst, step-c.step)
		c.step = step
	}
	c.at = at
	dst = appendZigzag(dst, lag-c.lag)
	c.lag = lag
	if r.Has != c.has {
		flags |= newChannels
		dst = binary.AppendUvarint(dst, uint64(r.Has^c.has))
		c.has = r.Has
	}
	if r.Status != collector.NoStatus {
		flags |= hasStatus
		dst = append(dst, byte(r.Status))
	}
	dst = c.appendValues(dst, r, &flags)
	if len(r.Extra) > 0 {
		flags |= hasExtra
		dst = binary.AppendUvarint(dst, uint64(len(r.Extra)))
		for i := range r.Extra {
			x := &r.Extra[i]
			dst = appendString(appendString(appendString(dst, x.Name), x.Unit), x.Text)
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(x.Value))
		}
	}
	dst[start] = flags
	return dst
}

func (c *coder) appendValues(dst []byte, r *collector.Reading, flags *byte) []byte {
	var (
		reformed collector.ChannelSet
		changed  uint64
		delta    [collector.NumChannels]uint64
		n        int
	)
	for ch := range r.Has.All {
		form, number := formOf(r.Value[ch], c.form[ch])
		if form != c.form[ch] {
			reformed = reformed.With(ch)
			c.form[ch], c.number[ch] = form, 0
		}
		d := number ^ c.number[ch]
		if d != 0 {
			changed |= 1 << n
			if form == rawForm {
				d = bits.ReverseBytes64(d)
			} else {
				d = zigzag(int64(number - c.number[ch]))
			}
		}
		c.number[ch] = number
		delta[n] = d
		n++
	}
	if reformed != 0 {
		*flags |= newForms
		dst = binary.AppendUvarint(dst, uint64(reformed))
		for ch := range reformed.All {
			dst = append(dst, c.form[ch])
		}
	}
	if n == 0 {
		return dst
	}
	dst = binary.AppendUvarint(dst, changed)
	for _, d := range delta[:n] {
		if d != 0 {
			dst = binary.AppendUvarint(dst, d)
		}
	}
	return dst
}

// formOf returns the form that gives v back exactly, before if that will do,
// and the number in that form.
func formOf(v float64, before uint8) (form uint8, number uint64) {
	if before != 0 && before != rawForm {
		if n, ok := decimal(v, int(before-1)); ok {
			return before, uint64(n)
		}
	}
	for digits := range pow10 {
		if n, ok := decimal(v, digits); ok {
			return uint8(1 + digits), uint64(n)
		}
	}
	return rawForm, math.Float64bits(v)
}

func decimal(v float64, digits int) (int64, bool) {
	n := math.RoundToEven(v * pow10[digits])
	if !(math.Abs(n) < 1<<53) {
		return 0, false
	}
	return int64(n), math.Float64bits(float64(int64(n))/pow10[digits]) == math.Float64bits(v)
}

// next reads a frame from the front of p into e and returns what is left.
func (c *coder) next(p []byte, e *Entry) ([]byte, error) {
	in := input{p: p}
	flags := in.byte()
	if flags&newMachine != 0 {
		c.machine, c.site = in.string(c.machine), in.string(c.site)
	}
	if flags&newSeqStep != 0 {
		c.seqStep += uint64(in.zigzag())
	}
	c.seq += c.seqStep
	if flags&sameStep == 0 {
		c.step += in.zigzag()
	}
	c.at += c.step
	c.lag += in.zigzag()
	if flags&newChannels != 0 {
		c.has ^= collector.ChannelSet(in.uvarint())
	}
	*e = Entry{Seq: c.seq, Reading: collector.Reading{
		Machine: c.machine, Site: c.site, At: collector.Millis(c.at), Received: collector.Millis(c.at + c.lag), Has: c.has,
	}}
	if flags&hasStatus != 0 {
		e.Status = collector.Status(in.byte())
	}
	var reformed collector.ChannelSet
	if flags&newForms != 0 {
		reformed = collector.ChannelSet(in.uvarint())
	}
	if (c.has|reformed)>>collector.NumChannels != 0 {
		return nil, errFrame
	}
	for ch := range reformed.All {
		c.form[ch], c.number[ch] = in.byte(), 0
	}
	if c.has != 0 {
		changed := in.uvarint()
		for ch := range c.has.All {
			if changed&1 != 0 {
				c.change(ch, in.uvarint())
			}
			changed >>= 1
			if f := c.form[ch]; f == rawForm {
				e.Value[ch] = math.Float64frombits(c.number[ch])
			} else if f != 0 && int(f) <= len(pow10) {
				e.Value[ch] = float64(int64(c.number[ch])) / pow10[f-1]
			} else {
				return nil, errFrame
			}
		}
	}
	if flags&hasExtra != 0 {
		n := in.uvarint()
		if n > uint64(len(in.p)) {
			return nil, errFrame
		}
		e.Extra = make([]collector.Extra, n)
		for i := range e.Extra {
			x := &e.Extra[i]
			x.Name, x.Unit, x.Text = in.string(""), in.string(""), in.string("")
			x.Value = math.Float64frombits(in.uint64())
		}
	}
	if in.bad {
		return nil, errFrame
	}
	return in.p, nil
}

func (c *coder) change(ch collector.Channel, delta uint64) {
	if c.form[ch] == rawForm {
		c.number[ch] ^= bits.ReverseBytes64(delta)
		return
	}
	c.number[ch] += uint64(unzigzag(delta))
}
