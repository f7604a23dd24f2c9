package senml

import "strings"

// relative is the sum of base time and time below which it is relative to now
// (RFC 8428, 4.5.3): 2^28 s.
const relative = 1 << 28

// version is the version of RFC 8428, which is in force where bver is absent.
// Version 26 says that the pack may use the secondary units of RFC 8798
// (RFC 9100, section 4: 10 plus feature bit 4).
const (
	version               = 10
	versionSecondaryUnits = 26
)

// Kind is the type of a resolved value.
type Kind uint8

// The kinds of value.
const (
	NoKind Kind = iota // a sum only
	IsNumber
	IsBoolean
	IsString
	IsData
)

// Resolved is a record that stands by itself: base fields applied, time
// absolute.
type Resolved struct {
	Index   int     // of the record in its pack, from 0
	Problem Problem // NoProblem, or else only Name may be used, to say which it was
	Culprit Label   // the field the problem concerns, for some problems
	Placed  bool    // Name and Time are right; the problem, if any, is the value alone

	Kind   Kind
	Bool   bool
	HasSum bool
	HasUT  bool
	Name   []byte
	Unit   []byte // empty where neither u nor bu says
	Value  float64
	Text   []byte // of a string, or the octets of data
	Sum    float64
	Time   float64 // s since 1970 without leap seconds
	UT     float64 // s
}

// Err returns the problem as an error that names the record and says what to
// do, nil when there is none.
func (r *Resolved) Err() error {
	if r.Problem == NoProblem {
		return nil
	}
	// The name goes into logs; the sender decides on its length.
	name := strings.ToValidUTF8(string(r.Name[:min(len(r.Name), 128)]), "")
	return &RecordError{Record: r.Index, Name: name, Problem: r.Problem, Label: r.Culprit}
}

// base is the state of the base fields while a pack is resolved.
type base struct {
	name, unit       []byte
	time, value, sum float64
	hasSum           bool
	bad              Labels // fields that could not be read and were not replaced
}

// Resolve applies base fields and makes times absolute; now is in seconds since
// 1970. The result has an element for every record except those that only set
// base fields, in the order sent, and is valid until the decoder's next Decode
// or Resolve. The error is a *VersionError; then nothing of the pack may be
// used.
func (d *Decoder) Resolve(records []Record, now float64) ([]Resolved, error) {
	if err := checkVersion(records); err != nil {
		return nil, err
	}
	d.resolved, d.names = d.resolved[:0], d.names[:0]
	var b base
	for i := range records {
		r := &records[i]
		if (r.Has|r.Bad)&bases != 0 {
			b.apply(r)
			if (r.Has|r.Bad)&^bases == 0 && r.Problem == NoProblem {
				continue
			}
		}
		n := len(d.resolved)
		if n < cap(d.resolved) {
			d.resolved = d.resolved[:n+1]
			d.resolved[n] = Resolved{}
		} else {
			d.resolved = append(d.resolved, Resolved{})
		}
		out := &d.resolved[n]
		out.Index = i
		d.resolve(out, r, &b, now)
	}
	return d.resolved, nil
}

// checkVersion refuses a pack with a version that is not understood, or two.
func checkVersion(records []Record) error {
	current, fixed := version, false
	for i := range records {
		r := &records[i]
		if r.Bad.Has(BVer) {
			return &VersionError{i, -1}
		}
		if r.Has.Has(BVer) {
			v := r.BaseVersion
			if v > version && v != versionSecondaryUnits || v < 0 || fixed && v != current {
				return &VersionError{i, v}
			}
			current = v
		}
		fixed = true
	}
	return nil
}

// apply takes over the base fields of r.
func (b *base) apply(r *Record) {
	b.bad = b.bad&^r.Has | r.Bad&bases
	if r.Has.Has(BN) {
		b.name = r.BaseName
	}
	if r.Has.Has(BT) {
		b.time = r.BaseTime
	}
	if r.Has.Has(BU) {
		b.unit = r.BaseUnit
	}
	if r.Has.Has(BV) {
		b.value = r.BaseValue
	}
	if r.Has.Has(BS) {
		b.sum, b.hasSum = r.BaseSum, true
	}
}

// resolve fills out from r under the base fields in force.
func (d *Decoder) resolve(out *Resolved, r *Record, b *base, now float64) {
	out.Name = r.Name
	if len(b.name) > 0 {
		at := len(d.names)
		d.names = append(append(d.names, b.name...), r.Name...)
		out.Name = d.names[at:]
	}
	if out.Time = b.time + r.Time; out.Time < relative {
		out.Time += now
	}
	if out.Problem, out.Culprit = b.problem(r, out.Name); out.Problem != NoProblem {
		out.Placed = out.Problem == NotFinite && out.Culprit == V && r.Bad == 1<<V &&
			b.bad&(1<<BN|1<<BT) == 0 && validName(out.Name) && out.Time-out.Time == 0
		return
	}
	out.Placed = true
	out.Unit = b.unit
	if r.Has.Has(U) {
		out.Unit = r.Unit
	}
	out.Sum, out.HasSum = b.sum+r.Sum, b.hasSum || r.Has.Has(S)
	out.UT, out.HasUT = r.UpdateTime, r.Has.Has(UT)
	switch {
	case r.Has.Has(V):
		out.Kind, out.Value = IsNumber, b.value+r.Value
	case r.Has.Has(VB):
		out.Kind, out.Bool = IsBoolean, r.Bool
	case r.Has.Has(VS):
		out.Kind, out.Text = IsString, r.Text
	case r.Has.Has(VD):
		out.Kind, out.Text = IsData, r.Data
	}
	// Finite terms can have an infinite sum. Inf − Inf is NaN: one test for the
	// usual record, which has none.
	if all := out.Time + out.Value + out.Sum; all-all != 0 {
		if l, ok := out.overflow(); ok {
			out.Problem, out.Culprit, out.Placed = NotFinite, l, l == V
		}
	}
}

// problem returns what is wrong with r, whose full name is name.
func (b *base) problem(r *Record, name []byte) (Problem, Label) {
	if r.Problem != NoProblem {
		return r.Problem, r.Culprit
	}
	switch n := (r.Has & values).count(); {
	case n > 1:
		return SeveralValues, 0
	case n == 0 && !r.Has.Has(S):
		return NoValue, 0
	}
	if b.bad != 0 {
		if l, depends := b.spoils(r); depends {
			return BadBase, l
		}
	}
	if !validName(name) {
		return BadName, 0
	}
	return NoProblem, 0
}

// spoils returns a base field that r depends on and that could not be read.
func (b *base) spoils(r *Record) (Label, bool) {
	for _, l := range [...]Label{BN, BT, BU, BV, BS} {
		if !b.bad.Has(l) {
			continue
		}
		if l == BU && r.Has.Has(U) || l == BV && !r.Has.Has(V) || l == BS && !r.Has.Has(S) {
			continue
		}
		return l, true
	}
	return 0, false
}

// overflow returns the field whose sum with its base no double can hold.
func (r *Resolved) overflow() (Label, bool) {
	switch {
	case r.Time-r.Time != 0:
		return T, true
	case r.Value-r.Value != 0:
		return V, true
	case r.Sum-r.Sum != 0:
		return S, true
	}
	return 0, false
}

// Characters of names, RFC 8428, 4.5.1.
const (
	nameInner = 1 << iota
	nameFirst
)

var nameChars = func() (t [256]uint8) {
	for c := range t {
		switch {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= '0' && c <= '9':
			t[c] = nameFirst | nameInner
		case c == '-', c == ':', c == '.', c == '/', c == '_':
			t[c] = nameInner
		}
	}
	return t
}()

func validName(name []byte) bool {
	if len(name) == 0 || nameChars[name[0]]&nameFirst == 0 {
		return false
	}
	all := uint8(nameInner)
	for _, c := range name {
		all &= nameChars[c]
	}
	return all != 0
}
