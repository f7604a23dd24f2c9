package senml

import "math/bits"

// Label is a field of a record, RFC 8428 table 1.
type Label uint8

// The labels, numbered so that CBOR's label follows: up to VD it is the
// number itself, from BVer on it is VD minus the number.
const (
	N         Label = iota // name
	U                      // unit
	V                      // value
	VS                     // string value
	VB                     // boolean value
	S                      // sum: the value integrated over time
	T                      // time, s
	UT                     // update time, s: a newer value comes within it
	VD                     // data value
	BVer                   // version
	BN                     // base name
	BT                     // base time, s
	BU                     // base unit
	BV                     // base value
	BS                     // base sum
	numLabels = iota
)

var labelNames = [numLabels]string{
	N: "n", U: "u", V: "v", VS: "vs", VB: "vb", S: "s", T: "t", UT: "ut", VD: "vd",
	BVer: "bver", BN: "bn", BT: "bt", BU: "bu", BV: "bv", BS: "bs",
}

func (l Label) String() string { return labelNames[l] }

// cbor returns the label's key in CBOR, −6 … 8.
func (l Label) cbor() int64 {
	if l <= VD {
		return int64(l)
	}
	return int64(VD) - int64(l)
}

// labelOf finds a label by its JSON name.
func labelOf(key []byte) (Label, bool) {
	switch len(key) {
	case 1:
		switch key[0] {
		case 'n':
			return N, true
		case 'u':
			return U, true
		case 'v':
			return V, true
		case 't':
			return T, true
		case 's':
			return S, true
		}
	case 2:
		switch string(key) {
		case "vb":
			return VB, true
		case "bn":
			return BN, true
		case "bt":
			return BT, true
		case "bu":
			return BU, true
		case "bv":
			return BV, true
		case "bs":
			return BS, true
		case "vs":
			return VS, true
		case "vd":
			return VD, true
		case "ut":
			return UT, true
		}
	case 4:
		if string(key) == "bver" {
			return BVer, true
		}
	}
	return 0, false
}

// Labels is a set of labels.
type Labels uint16

// Sets that the rules speak of.
const (
	values = Labels(1<<V | 1<<VS | 1<<VB | 1<<VD)
	bases  = Labels(1<<BVer | 1<<BN | 1<<BT | 1<<BU | 1<<BV | 1<<BS)
)

// Has reports whether l is in the set.
func (s Labels) Has(l Label) bool { return s&(1<<l) != 0 }

// With returns the set with l added.
func (s Labels) With(l Label) Labels { return s | 1<<l }

func (s Labels) count() int { return bits.OnesCount16(uint16(s)) }

// Record is one record as it is sent. A field means something only when Has
// holds its label.
type Record struct {
	Has Labels // the fields that are there and could be read
	Bad Labels // the fields that are there and could not

	Problem Problem // the first thing wrong with the record alone
	Culprit Label   // the field it concerns, where it concerns one

	Bool        bool
	BaseVersion int
	BaseName    []byte
	BaseTime    float64 // s
	BaseUnit    []byte
	BaseValue   float64
	BaseSum     float64
	Name        []byte
	Unit        []byte
	Value       float64
	Text        []byte // vs, UTF-8
	Data        []byte // vd, the octets themselves
	Sum         float64
	Time        float64 // s
	UpdateTime  float64 // s
}

// Number makes a record of a number. An empty unit is left out.
func Number(name, unit string, v float64) Record {
	r := Record{Has: 1<<N | 1<<V, Name: []byte(name), Value: v}
	if unit != "" {
		r.Has, r.Unit = r.Has.With(U), []byte(unit)
	}
	return r
}

// Boolean makes a record of a boolean.
func Boolean(name string, v bool) Record {
	return Record{Has: 1<<N | 1<<VB, Name: []byte(name), Bool: v}
}

// At returns the record with a time, in seconds: since 1970, or added to the
// base time.
func (r Record) At(t float64) Record {
	r.Has, r.Time = r.Has.With(T), t
	return r
}

// Base returns the record with a base name and a base time, in seconds, for
// itself and the records after it.
func (r Record) Base(name string, t float64) Record {
	r.Has = r.Has.With(BN).With(BT)
	r.BaseName, r.BaseTime = []byte(name), t
	return r
}

// number returns where the number with label l is kept, nil for labels that
// are no numbers.
func (r *Record) number(l Label) *float64 {
	switch l {
	case V:
		return &r.Value
	case T:
		return &r.Time
	case BT:
		return &r.BaseTime
	case BV:
		return &r.BaseValue
	case S:
		return &r.Sum
	case BS:
		return &r.BaseSum
	case UT:
		return &r.UpdateTime
	}
	return nil
}

// text returns where the string with label l is kept, nil for labels that are
// no strings.
func (r *Record) text(l Label) *[]byte {
	switch l {
	case N:
		return &r.Name
	case U:
		return &r.Unit
	case BN:
		return &r.BaseName
	case BU:
		return &r.BaseUnit
	case VS:
		return &r.Text
	}
	return nil
}

// fail notes the first problem of the record.
func (r *Record) fail(p Problem, l Label) {
	if r.Problem == NoProblem {
		r.Problem, r.Culprit = p, l
	}
}

// spoil notes that field l is there and cannot be used.
func (r *Record) spoil(p Problem, l Label) {
	r.fail(p, l)
	r.Bad = r.Bad.With(l)
	r.Has &^= 1 << l
}
