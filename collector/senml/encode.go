package senml

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/x448/float16"
)

// order is the order fields are written in, that of the examples of RFC 8428.
var order = [numLabels]Label{BN, BT, BU, BV, BS, BVer, N, U, T, UT, V, VS, VB, VD, S}

var (
	errNoRecords = errors.New("a pack holds at least one record")
	errNotFinite = errors.New("is not a finite number")
)

// AppendJSON appends a pack with the fields that the records have.
func AppendJSON(dst []byte, records []Record) ([]byte, error) {
	if len(records) == 0 {
		return dst, errNoRecords
	}
	dst = append(dst, '[')
	for i := range records {
		r := &records[i]
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, '{')
		first := true
		for _, l := range order {
			if !r.Has.Has(l) {
				continue
			}
			if !first {
				dst = append(dst, ',')
			}
			first = false
			dst = append(append(append(dst, '"'), l.String()...), '"', ':')
			var err error
			if dst, err = appendJSONValue(dst, r, l); err != nil {
				return dst, fmt.Errorf("record %d: %s: %w", i, l, err)
			}
		}
		dst = append(dst, '}')
	}
	return append(dst, ']'), nil
}

func appendJSONValue(dst []byte, r *Record, l Label) ([]byte, error) {
	if number := r.number(l); number != nil {
		v := *number
		if v-v != 0 {
			return dst, errNotFinite
		}
		if size := math.Abs(v); size != 0 && (size < 1e-6 || size >= 1e21) {
			return strconv.AppendFloat(dst, v, 'e', -1, 64), nil
		}
		return strconv.AppendFloat(dst, v, 'f', -1, 64), nil
	}
	if text := r.text(l); text != nil {
		s, err := json.Marshal(string(*text))
		return append(dst, s...), err
	}
	switch l {
	case VB:
		return strconv.AppendBool(dst, r.Bool), nil
	case BVer:
		return strconv.AppendInt(dst, int64(r.BaseVersion), 10), nil
	default: // VD
		dst = base64.RawURLEncoding.AppendEncode(append(dst, '"'), r.Data)
		return append(dst, '"'), nil
	}
}

// AppendCBOR appends a pack with the fields that the records have. Every number
// takes the shortest of CBOR's forms that has exactly its value.
func AppendCBOR(dst []byte, records []Record) ([]byte, error) {
	if len(records) == 0 {
		return dst, errNoRecords
	}
	dst = appendHead(dst, cborArray, uint64(len(records)))
	for i := range records {
		r := &records[i]
		dst = appendHead(dst, cborMap, uint64(r.Has.count()))
		for _, l := range order {
			if !r.Has.Has(l) {
				continue
			}
			dst = appendInt(dst, l.cbor())
			var err error
			if dst, err = appendCBORValue(dst, r, l); err != nil {
				return dst, fmt.Errorf("record %d: %s: %w", i, l, err)
			}
		}
	}
	return dst, nil
}

func appendCBORValue(dst []byte, r *Record, l Label) ([]byte, error) {
	if number := r.number(l); number != nil {
		if *number-*number != 0 {
			return dst, errNotFinite
		}
		return appendNumber(dst, *number), nil
	}
	if text := r.text(l); text != nil {
		return append(appendHead(dst, cborText, uint64(len(*text))), *text...), nil
	}
	switch l {
	case VB:
		if r.Bool {
			return append(dst, cborSimple<<5|cborTrue), nil
		}
		return append(dst, cborSimple<<5|cborFalse), nil
	case BVer:
		if r.BaseVersion < 0 {
			return dst, fmt.Errorf("%d is not a version", r.BaseVersion)
		}
		return appendHead(dst, cborUint, uint64(r.BaseVersion)), nil
	default: // VD
		return append(appendHead(dst, cborBytes, uint64(len(r.Data))), r.Data...), nil
	}
}

// appendNumber writes v as an integer or as the shortest float.
func appendNumber(dst []byte, v float64) []byte {
	if v == math.Trunc(v) && math.Abs(v) <= 1<<53 && !(v == 0 && math.Signbit(v)) {
		return appendInt(dst, int64(v))
	}
	single := float32(v)
	if float64(single) != v {
		dst = append(dst, cborSimple<<5|cborDouble)
		return appendBits(dst, math.Float64bits(v), 8)
	}
	if half := float16.Fromfloat32(single); half.Float32() == single {
		dst = append(dst, cborSimple<<5|cborHalf)
		return appendBits(dst, uint64(half.Bits()), 2)
	}
	dst = append(dst, cborSimple<<5|cborSingle)
	return appendBits(dst, uint64(math.Float32bits(single)), 4)
}

func appendInt(dst []byte, v int64) []byte {
	if v < 0 {
		return appendHead(dst, cborNegative, uint64(-1-v))
	}
	return appendHead(dst, cborUint, uint64(v))
}

// appendHead writes the head of an item in its shortest form.
func appendHead(dst []byte, major uint8, arg uint64) []byte {
	switch {
	case arg < 24:
		return append(dst, major<<5|uint8(arg))
	case arg <= math.MaxUint8:
		return append(dst, major<<5|24, uint8(arg))
	case arg <= math.MaxUint16:
		return appendBits(append(dst, major<<5|25), arg, 2)
	case arg <= math.MaxUint32:
		return appendBits(append(dst, major<<5|26), arg, 4)
	}
	return appendBits(append(dst, major<<5|27), arg, 8)
}

// appendBits writes the low n bytes of v, the highest first.
func appendBits(dst []byte, v uint64, n int) []byte {
	for n--; n >= 0; n-- {
		dst = append(dst, byte(v>>(8*n)))
	}
	return dst
}
