package senml

import (
	"encoding/binary"
	"math"
	"strconv"
	"unicode/utf8"

	"github.com/x448/float16"
)

// Major types of RFC 8949, section 3.1.
const (
	cborUint = iota
	cborNegative
	cborBytes
	cborText
	cborArray
	cborMap
	cborTag
	cborSimple // and floats
)

// Additional information with a meaning of its own.
const (
	cborFalse      = 20
	cborTrue       = 21
	cborHalf       = 25
	cborSingle     = 26
	cborDouble     = 27
	cborIndefinite = 31

	tagDecimalFraction = 4
	cborBreak          = 0xff
)

// head is the start of a CBOR item.
type head struct {
	major uint8
	info  uint8  // low five bits of the first byte
	arg   uint64 // count, length, value or bits; 0 for an indefinite length
}

func (h head) indefinite() bool { return h.info == cborIndefinite }

// readHead reads the head at i.
func readHead(data []byte, i int) (h head, next int, err error) {
	if i >= len(data) {
		return h, i, &SyntaxError{i, "the pack ends inside an item"}
	}
	h.major, h.info = data[i]>>5, data[i]&0x1f
	i++
	switch {
	case h.info < 24:
		h.arg = uint64(h.info)
	case h.info <= 27:
		n := 1 << (h.info - 24)
		if len(data)-i < n {
			return h, i, &SyntaxError{i, "the pack ends inside an item"}
		}
		var wide [8]byte
		copy(wide[8-n:], data[i:i+n])
		h.arg = binary.BigEndian.Uint64(wide[:])
		i += n
		if h.major == cborSimple && n == 1 && h.arg < 32 {
			return h, i, &SyntaxError{i - 1, "a simple value is written in a form that is reserved"}
		}
	case h.info == cborIndefinite && h.major >= cborBytes && h.major <= cborMap:
	default:
		return h, i, &SyntaxError{i - 1, "this is no CBOR item"}
	}
	return h, i, nil
}

// decodeCBOR reads RFC 8949 data. The array may be of indefinite length, as a
// stream is (RFC 8428, section 6).
func (d *Decoder) decodeCBOR(data []byte) error {
	h, i, err := readHead(data, 0)
	if err != nil {
		return err
	}
	if !h.indefinite() && h.arg == 0 {
		return &SyntaxError{i, "a pack holds at least one record"}
	}
	for n := uint64(0); h.indefinite() || n < h.arg; n++ {
		if h.indefinite() && i < len(data) && data[i] == cborBreak {
			i++
			if n == 0 {
				return &SyntaxError{i, "a pack holds at least one record"}
			}
			break
		}
		r, err := d.grow()
		if err != nil {
			return err
		}
		if i, err = d.cborRecord(data, i, r); err != nil {
			return err
		}
	}
	if i != len(data) {
		return &SyntaxError{i, "there is something after the pack"}
	}
	return nil
}

// cborRecord reads the map at i into r.
func (d *Decoder) cborRecord(data []byte, i int, r *Record) (int, error) {
	h, next, err := readHead(data, i)
	if err != nil {
		return next, err
	}
	if h.major != cborMap {
		r.fail(NotARecord, N)
		return skipCBOR(data, i, maxDepth)
	}
	i = next
	for n := uint64(0); h.indefinite() || n < h.arg; n++ {
		if h.indefinite() && i < len(data) && data[i] == cborBreak {
			return i + 1, nil
		}
		l, known, end, err := cborKey(data, i, r)
		if err != nil {
			return end, err
		}
		i = end
		if !known {
			i, err = skipCBOR(data, i, maxDepth)
		} else {
			i, err = d.cborField(data, i, r, l)
		}
		if err != nil {
			return i, err
		}
	}
	return i, nil
}

// cborKey reads the key at i. Only small integers are labels that are known;
// extensions have text keys.
func cborKey(data []byte, i int, r *Record) (l Label, known bool, end int, err error) {
	h, next, err := readHead(data, i)
	if err != nil {
		return 0, false, next, err
	}
	switch {
	case h.major == cborUint && h.arg <= uint64(VD):
		return Label(h.arg), true, next, nil
	case h.major == cborNegative && h.arg < uint64(BS-VD):
		return BVer + Label(h.arg), true, next, nil
	}
	if end, err = skipCBOR(data, i, maxDepth); err != nil {
		return 0, false, end, err
	}
	if h.major == cborText && end > next && data[end-1] == '_' {
		r.fail(MustUnderstand, N)
	}
	return 0, false, end, nil
}

// cborField reads the value of field l at i into r.
func (d *Decoder) cborField(data []byte, i int, r *Record, l Label) (int, error) {
	h, next, err := readHead(data, i)
	if err != nil {
		return next, err
	}
	end, err := skipCBOR(data, i, maxDepth)
	if err != nil {
		return end, err
	}
	if (r.Has | r.Bad).Has(l) {
		r.spoil(Twice, l)
		return end, nil
	}
	problem := WrongType
	if number := r.number(l); number != nil {
		*number, problem = cborNumber(data, i)
	} else if text := r.text(l); text != nil {
		if h.major == cborText && !h.indefinite() && utf8.Valid(data[next:end]) {
			*text, problem = data[next:end], NoProblem
		}
	} else {
		switch {
		case l == VB && h.major == cborSimple && (h.info == cborTrue || h.info == cborFalse):
			r.Bool, problem = h.info == cborTrue, NoProblem
		case l == VD && h.major == cborBytes && !h.indefinite():
			r.Data, problem = data[next:end], NoProblem
		case l == BVer && h.major == cborUint && h.arg <= math.MaxInt32:
			r.BaseVersion, problem = int(h.arg), NoProblem
		}
	}
	if problem != NoProblem {
		r.spoil(problem, l)
		return end, nil
	}
	r.Has = r.Has.With(l)
	return end, nil
}

// cborNumber returns the number at i: an integer, a float, or a decimal
// fraction. The item has been found well formed.
func cborNumber(data []byte, i int) (float64, Problem) {
	h, next, _ := readHead(data, i)
	var v float64
	switch {
	case h.major == cborUint:
		return float64(h.arg), NoProblem
	case h.major == cborNegative:
		return -1 - float64(h.arg), NoProblem
	case h.major == cborTag && h.arg == tagDecimalFraction:
		return decimalFraction(data, next)
	case h.major == cborSimple && h.info == cborHalf:
		v = float64(float16.Frombits(uint16(h.arg)).Float32())
	case h.major == cborSimple && h.info == cborSingle:
		v = float64(math.Float32frombits(uint32(h.arg)))
	case h.major == cborSimple && h.info == cborDouble:
		v = math.Float64frombits(h.arg)
	default:
		return 0, WrongType
	}
	if v-v != 0 {
		return 0, NotFinite
	}
	return v, NoProblem
}

// decimalFraction returns m·10^e of the array [e, m] at i, rounded once.
func decimalFraction(data []byte, i int) (float64, Problem) {
	h, i, _ := readHead(data, i)
	if h.major != cborArray || h.arg != 2 || h.indefinite() {
		return 0, WrongType
	}
	var part [2]head
	for k := range part {
		part[k], i, _ = readHead(data, i)
		if part[k].major > cborNegative {
			return 0, WrongType
		}
	}
	text := make([]byte, 0, 48)
	text = appendCBORInt(text, part[1])
	text = append(text, 'e')
	text = appendCBORInt(text, part[0])
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return 0, NotFinite
	}
	return v, NoProblem
}

// appendCBORInt writes the integer of h in decimal.
func appendCBORInt(dst []byte, h head) []byte {
	if h.major == cborUint {
		return strconv.AppendUint(dst, h.arg, 10)
	}
	if h.arg == math.MaxUint64 {
		return append(dst, "-18446744073709551616"...)
	}
	return strconv.AppendUint(append(dst, '-'), h.arg+1, 10)
}

// skipCBOR passes over the item at i and checks that it is well formed.
func skipCBOR(data []byte, i, depth int) (int, error) {
	start := i
	h, i, err := readHead(data, i)
	if err != nil {
		return i, err
	}
	if depth == 0 {
		return i, &SyntaxError{start, "items are nested too deep"}
	}
	items := h.arg
	switch h.major {
	case cborBytes, cborText:
		if h.indefinite() {
			return skipChunks(data, i, h.major)
		}
		if h.arg > uint64(len(data)-i) {
			return i, &SyntaxError{i, "the pack ends inside an item"}
		}
		return i + int(h.arg), nil
	case cborTag:
		items = 1
	case cborArray:
	case cborMap:
		if items > uint64(len(data)) {
			return i, &SyntaxError{i, "the pack ends inside an item"}
		}
		items *= 2
	default:
		return i, nil
	}
	for n := uint64(0); h.indefinite() || n < items; n++ {
		if h.indefinite() && i < len(data) && data[i] == cborBreak {
			if h.major == cborMap && n%2 != 0 {
				return i, &SyntaxError{i, "a key has no value"}
			}
			return i + 1, nil
		}
		if i, err = skipCBOR(data, i, depth-1); err != nil {
			return i, err
		}
	}
	return i, nil
}

// skipChunks passes over the chunks of a string of indefinite length.
func skipChunks(data []byte, i int, major uint8) (int, error) {
	for {
		if i < len(data) && data[i] == cborBreak {
			return i + 1, nil
		}
		h, _, err := readHead(data, i)
		if err != nil {
			return i, err
		}
		if h.major != major || h.indefinite() {
			return i, &SyntaxError{i, "a chunk of a string is no string"}
		}
		if i, err = skipCBOR(data, i, 1); err != nil {
			return i, err
		}
	}
}
