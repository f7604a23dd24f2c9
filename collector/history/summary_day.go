package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"math/bits"
	"slices"

	"coilward/collector"
)

// summaryDay is the summaries of one machine on one day of UTC, by Start.
type summaryDay struct {
	day  uint32 // since the epoch
	rows []Summary
}

const dayMillis = hoursADay * hourMillis

// find returns the summary that begins at start, making it if there is none.
func (d *summaryDay) find(machine string, start collector.Millis) *Summary {
	i, ok := slices.BinarySearchFunc(d.rows, start, func(m Summary, at collector.Millis) int { return int(m.Start - at) })
	if !ok {
		d.rows = slices.Insert(d.rows, i, Summary{Machine: machine, Start: start})
	}
	return &d.rows[i]
}

func (d *summaryDay) readings() (n uint64) {
	for i := range d.rows {
		n += uint64(d.rows[i].Readings)
	}
	return n
}

// Flags of a stored summary: what differs from the one before.
const (
	sumSite = 1 << iota
	sumReadings
	sumChannels
	sumSlots
	sumStatus
	sumExtra
)

// Flags of stored figures; the lowest three bits are the decimals, or rawDigits.
const (
	rawDigits  = 7
	figCount   = 1 << 3 // how many values there are, if not one a reading
	figMin     = 1 << 4 // the least is another than before
	figSpread  = 1 << 5 // the greatest is another than the least
	figUnknown = 0xff &^ (rawDigits | figCount | figMin | figSpread)
)

// marshal appends the day as it is stored; see the package comment.
func (d *summaryDay) marshal(dst []byte) []byte {
	dst = append(dst, 1, 0, 0, 0, 0)
	head := len(dst)
	dst = binary.AppendUvarint(dst, d.readings())
	before := Summary{Start: collector.Millis(d.day)*dayMillis - SummaryMillis}
	for i := range d.rows {
		dst = d.rows[i].append(dst, &before)
		before = d.rows[i]
	}
	seal(dst[head-5:])
	return dst
}

// seal writes the checksum of a stored day.
func seal(p []byte) {
	binary.LittleEndian.PutUint32(p[1:], crc32.Checksum(p[5:], castagnoli))
}

// storedReadings checks a stored day and returns how many readings are in it.
func storedReadings(p []byte) (n uint64, in input, err error) {
	if len(p) < 5 {
		return 0, in, errors.New("summaries are cut short")
	}
	if p[0] != 1 {
		return 0, in, fmt.Errorf("summaries are of version %d, which this program does not know: use a newer one", p[0])
	}
	if crc32.Checksum(p[5:], castagnoli) != binary.LittleEndian.Uint32(p[1:]) {
		return 0, in, errors.New("summaries do not match their checksum")
	}
	in = input{p: p[5:]}
	if n = in.uvarint(); in.bad {
		return 0, in, errFrame
	}
	return n, in, nil
}

// unmarshal reads a stored day.
func (d *summaryDay) unmarshal(machine string, p []byte) error {
	n, in, err := storedReadings(p)
	if err != nil {
		return err
	}
	before := Summary{Start: collector.Millis(d.day)*dayMillis - SummaryMillis}
	d.rows = d.rows[:0]
	for len(in.p) > 0 && !in.bad {
		m := Summary{Machine: machine}
		m.read(&in, &before)
		d.rows = append(d.rows, m)
		before = m
	}
	if in.bad || len(d.rows) == 0 || d.readings() != n || before.Start >= collector.Millis(d.day+1)*dayMillis {
		return errFrame
	}
	return nil
}

func (m *Summary) append(dst []byte, before *Summary) []byte {
	var flags byte
	note := func(flag byte, is bool) {
		if is {
			flags |= flag
		}
	}
	note(sumSite, m.Site != before.Site)
	note(sumReadings, m.Readings != before.Readings)
	note(sumChannels, m.Has != before.Has)
	note(sumSlots, m.slots != before.slots)
	note(sumStatus, m.Online+m.Offline > 0)
	note(sumExtra, len(m.Extra) > 0)
	dst = append(dst, flags)
	dst = binary.AppendUvarint(dst, uint64((m.Start-before.Start)/SummaryMillis-1))
	if flags&sumSite != 0 {
		dst = appendString(dst, m.Site)
	}
	if flags&sumReadings != 0 {
		dst = binary.AppendUvarint(dst, uint64(m.Readings))
	}
	if flags&sumChannels != 0 {
		dst = binary.AppendUvarint(dst, uint64(m.Has^before.Has))
	}
	if flags&sumSlots != 0 {
		dst = m.slots.append(dst, &before.slots)
	}
	if flags&sumStatus != 0 {
		dst = binary.AppendUvarint(binary.AppendUvarint(dst, uint64(m.Online)), uint64(m.Offline))
	}
	for c := range m.Has.All {
		dst = m.Channel[c].append(dst, m.Readings, &before.Channel[c])
	}
	if flags&sumExtra != 0 {
		dst = binary.AppendUvarint(dst, uint64(len(m.Extra)))
		for i := range m.Extra {
			dst = appendString(appendString(dst, m.Extra[i].Name), m.Extra[i].Unit)
			dst = m.Extra[i].Figures.append(dst, m.Readings, &Figures{})
		}
	}
	return dst
}

func (m *Summary) read(in *input, before *Summary) {
	flags := in.byte()
	step := in.uvarint()
	if step >= summariesADay {
		in.bad = true
		return
	}
	m.Start = before.Start + collector.Millis(step+1)*SummaryMillis
	m.Site, m.Readings, m.Has, m.slots = before.Site, before.Readings, before.Has, before.slots
	if flags&sumSite != 0 {
		m.Site = in.string(before.Site)
	}
	if flags&sumReadings != 0 {
		m.Readings = int(in.uvarint())
	}
	if flags&sumChannels != 0 {
		m.Has ^= collector.ChannelSet(in.uvarint())
	}
	if m.Has>>collector.NumChannels != 0 {
		in.bad = true
		return
	}
	if flags&sumSlots != 0 {
		m.slots.read(in)
	}
	if flags&sumStatus != 0 {
		m.Online, m.Offline = int(in.uvarint()), int(in.uvarint())
	}
	for c := range m.Has.All {
		m.Channel[c].read(in, m.Readings, &before.Channel[c])
	}
	if flags&sumExtra != 0 {
		n := in.uvarint()
		if n > mostExtras {
			in.bad = true
			return
		}
		m.Extra = make([]ExtraFigures, n)
		for i := range m.Extra {
			m.Extra[i].Name, m.Extra[i].Unit = in.string(""), in.string("")
			m.Extra[i].Figures.read(in, m.Readings, &Figures{})
		}
	}
}

// append writes which slots differ, as the gaps between them.
func (s *slots) append(dst []byte, before *slots) []byte {
	var differ slots
	for i := range s {
		differ[i] = s[i] ^ before[i]
	}
	dst = binary.AppendUvarint(dst, uint64(differ.count()))
	at := 0
	for i, word := range differ {
		for ; word != 0; word &= word - 1 {
			n := i*64 + bits.TrailingZeros64(word)
			dst = binary.AppendUvarint(dst, uint64(n-at))
			at = n
		}
	}
	return dst
}

// read changes s, which holds the slots before.
func (s *slots) read(in *input) {
	at := uint64(0)
	for n := in.uvarint(); n > 0 && !in.bad; n-- {
		if at += in.uvarint(); at >= SummaryMillis/slotMillis {
			in.bad = true
			return
		}
		s[at/64] ^= 1 << (at % 64)
	}
}

func (f *Figures) append(dst []byte, readings int, before *Figures) []byte {
	head := byte(rawDigits)
	var low, high, sum int64
	was := int64(0)
	if f.form != rawForm && f.form != 0 {
		digits := int(f.form - 1)
		low, _ = decimal(f.Min, digits)
		high, _ = decimal(f.Max, digits)
		sum = int64(math.RoundToEven(f.Sum * pow10[digits]))
		head = byte(digits)
		if before.form == f.form {
			was, _ = decimal(before.Min, digits)
		}
	}
	if f.Count != readings {
		head |= figCount
	}
	if low != was {
		head |= figMin
	}
	if high != low {
		head |= figSpread
	}
	dst = append(dst, head)
	if head&figCount != 0 {
		dst = binary.AppendUvarint(dst, uint64(f.Count))
	}
	if head&rawDigits == rawDigits {
		for _, v := range []float64{f.Min, f.Max, f.Sum} {
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(v))
		}
		return dst
	}
	if head&figMin != 0 {
		dst = appendZigzag(dst, low-was)
	}
	if head&figSpread != 0 {
		dst = binary.AppendUvarint(dst, uint64(high-low))
		dst = appendZigzag(dst, sum-low*int64(f.Count))
	}
	return dst
}

func (f *Figures) read(in *input, readings int, before *Figures) {
	head := in.byte()
	f.Count = readings
	if head&figCount != 0 {
		f.Count = int(in.uvarint())
	}
	digits := int(head & rawDigits)
	if digits == rawDigits {
		f.form = rawForm
		for _, v := range []*float64{&f.Min, &f.Max, &f.Sum} {
			*v = math.Float64frombits(in.uint64())
		}
		return
	}
	if head&figUnknown != 0 {
		in.bad = true
		return
	}
	f.form = uint8(1 + digits)
	low := int64(0)
	if before.form == f.form {
		low, _ = decimal(before.Min, digits)
	}
	if head&figMin != 0 {
		low += in.zigzag()
	}
	high, sum := low, low*int64(f.Count)
	if head&figSpread != 0 {
		high += int64(in.uvarint())
		sum += in.zigzag()
	}
	scale := pow10[digits]
	f.Min, f.Max, f.Sum = float64(low)/scale, float64(high)/scale, float64(sum)/scale
}
