package senml

import (
	"errors"
	"fmt"
)

// Problem is what is wrong with one record of a pack that is otherwise fine.
type Problem uint8

// The problems. The zero value is none.
const (
	NoProblem      Problem = iota
	NotARecord             // the array holds something that is no object
	WrongType              // a field has a value of another type than the RFC gives it
	NotFinite              // NaN, an infinity, or a number no double can hold
	Twice                  // a label twice
	MustUnderstand         // an unknown label ending in "_"
	NoValue                // none of v, vs, vb, vd, s
	SeveralValues          // more than one of v, vs, vb, vd
	BadName                // empty, or with characters outside RFC 8428, 4.5.1
	BadBase                // a base field before it could not be read
	numProblems    = iota
)

var problems = [numProblems]string{
	NoProblem:      "nothing is wrong",
	NotARecord:     "is not an object with fields",
	WrongType:      "has a value of the wrong type",
	NotFinite:      "is not a finite number",
	Twice:          "is there twice",
	MustUnderstand: `has an unknown field whose name ends in "_", which must not be ignored`,
	NoValue:        "has none of v, vs, vb, vd and s",
	SeveralValues:  "has more than one of v, vs, vb and vd",
	BadName:        `has a name that is empty, does not start with a letter or digit, or has characters other than letters, digits and "-:./_"`,
	BadBase:        "depends on a base field that could not be read",
}

func (p Problem) String() string { return problems[p] }

// ofField reports whether the problem is about one field of the record.
func (p Problem) ofField() bool {
	return p == WrongType || p == NotFinite || p == Twice || p == BadBase
}

// SyntaxError says where a document stops being JSON or CBOR with a pack in
// it. Nothing of such a document is used.
type SyntaxError struct {
	Offset int // bytes from the start
	What   string
}

func (e *SyntaxError) Error() string { return fmt.Sprintf("byte %d: %s", e.Offset, e.What) }

// VersionError says that a pack has a version that is not understood, or more
// than one. Nothing of such a pack may be used (RFC 8428, 4.4).
type VersionError struct {
	Record  int // counted from 0
	Version int
}

func (e *VersionError) Error() string {
	return fmt.Sprintf("record %d: bver %d is not understood, or differs from the version of the records before it; send version 10 or leave bver out", e.Record, e.Version)
}

// ErrTooLarge is returned for a payload with more bytes or records than the
// decoder takes.
var ErrTooLarge = errors.New("pack is too large; send fewer records at a time")

// RecordError is a Problem with the record it is in.
type RecordError struct {
	Record  int    // counted from 0
	Name    string // resolved as far as it could be; may be empty
	Problem Problem
	Label   Label // the field, for a problem of a field
}

func (e *RecordError) Error() string {
	field := ""
	if e.Problem.ofField() {
		field = fmt.Sprintf(`: "%s"`, e.Label)
	}
	return fmt.Sprintf("record %d (%q)%s %s", e.Record, e.Name, field, e.Problem)
}
