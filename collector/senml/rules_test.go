package senml

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestRules(t *testing.T) {
	const abs = `"bt":1782864000,`
	for _, test := range []struct {
		rule, pack string
		want       []string // a line a resolved record
	}{
		{"4.5.3: a sum below 2^28 is relative to now", `[{"n":"a","t":268435455,"v":1}]`, []string{"a 1968435455 1"}},
		{"4.5.3: from 2^28 on it is absolute", `[{"n":"a","t":268435456,"v":1}]`, []string{"a 268435456 1"}},
		{"4.5.3: it is the sum that counts", `[{"n":"a","bt":268435400,"t":55,"v":1},{"n":"a","t":56,"v":2}]`, []string{"a 1968435455 1", "a 268435456 2"}},
		{"4.5.3: a negative sum is in the past", `[{"n":"a","bt":5,"t":-65,"v":1}]`, []string{"a 1699999940 1"}},
		{"4.5.3: neither is now", `[{"n":"a","v":1}]`, []string{"a 1700000000 1"}},
		{"4.1: base fields hold until replaced", `[{"bn":"x/",` + abs + `"bu":"A","n":"a","v":1},{"n":"b","v":2},{"bn":"y/","bu":"V","bt":1782864060,"n":"a","v":3},{"n":"b","v":4}]`,
			[]string{"x/a 1782864000 1 A", "x/b 1782864000 2 A", "y/a 1782864060 3 V", "y/b 1782864060 4 V"}},
		{"4.1: an empty base name replaces too", `[{"bn":"x/",` + abs + `"n":"a","v":1},{"bn":"","n":"a","v":2}]`, []string{"x/a 1782864000 1", "a 1782864000 2"}},
		{"4.5.4: bv adds to v, and only to v", `[{` + abs + `"bv":20,"n":"a","v":3.5},{"n":"b","vb":true},{"n":"c","s":4},{"bv":0,"n":"a","v":1}]`,
			[]string{"a 1782864000 23.5", "b 1782864000 true", "c 1782864000 sum 4", "a 1782864000 1"}},
		{"4.5.4: bs adds to s, and stands alone", `[{` + abs + `"bs":100,"n":"a","s":5},{"n":"b","v":7},{"n":"c","v":1,"s":-100}]`,
			[]string{"a 1782864000 sum 105", "b 1782864000 7 sum 100", "c 1782864000 1 sum 0"}},
		{"4.5.2: u beats bu", `[{` + abs + `"bu":"A","n":"a","u":"V","v":1}]`, []string{"a 1782864000 1 V"}},
		{"4.2: no value", `[{` + abs + `"n":"a"},{"n":"b","v":1}]`, []string{"a: has none of v, vs, vb, vd and s", "b 1782864000 1"}},
		{"4.2: a bv is no value", `[{` + abs + `"bv":2,"n":"a"}]`, []string{"a: has none of v, vs, vb, vd and s"}},
		{"4.2: two values", `[{` + abs + `"n":"a","v":1,"vb":true},{"n":"b","v":1}]`, []string{"a: has more than one of v, vs, vb and vd", "b 1782864000 1"}},
		{"4.2: a value beside a sum", `[{` + abs + `"n":"a","v":1,"s":2}]`, []string{"a 1782864000 1 sum 2"}},
		{"4.4: unknown fields are ignored", `[{` + abs + `"n":"a","v":1,"x":{"y":[1,"]"]},"quality":null}]`, []string{"a 1782864000 1"}},
		{"4.4: but for those ending in _", `[{` + abs + `"n":"a","v":1,"must_":1},{"n":"b","v":2}]`, []string{`a: has an unknown field whose name ends in "_", which must not be ignored`, "b 1782864000 2"}},
		{"4.5.1: a name starts with a letter or digit", `[{` + abs + `"n":"-a","v":1},{"bn":"x","n":"-a","v":1}]`, []string{"-a: has a name", "x-a 1782864000 1"}},
		{"4.5.1: characters of names", `[{` + abs + `"n":"a b","v":1},{"n":"a-:./_Z9","v":1},{"n":"ä","v":1}]`, []string{"a b: has a name", "a-:./_Z9 1782864000 1", "ä: has a name"}},
		{"4.5.1: a name there must be", `[{` + abs + `"v":1},{"bn":"x","v":2}]`, []string{": has a name", "x 1782864000 2"}},
		{"5.1.7: base fields alone are no measurement", `[{"bn":"x/",` + abs + `"bver":10},{"n":"a","v":1}]`, []string{"x/a 1782864000 1"}},
		{"labels twice", `[{` + abs + `"n":"a","v":1,"v":2},{"n":"b","v":3}]`, []string{"a: is there twice", "b 1782864000 3"}},
		{"wrong types", `[{` + abs + `"n":"a","v":"1"},{"n":"b","vb":1},{"n":"c","vs":2},{"n":5,"v":1},{"n":"e","vd":"a+/="},{"n":"f","v":null},{"n":"g","v":1}]`,
			[]string{"a: has a value of the wrong type", "b: has a value of the wrong type", "c: has a value of the wrong type", ": has a value of the wrong type", "e: has a value of the wrong type", "f: has a value of the wrong type", "g 1782864000 1"}},
		{"what is no record", `[{` + abs + `"n":"a","v":1},7,["n"],null,{"n":"b","v":2}]`, []string{"a 1782864000 1", ": is not an object", ": is not an object", ": is not an object", "b 1782864000 2"}},
		{"no double holds it", `[{` + abs + `"n":"a","v":1e999},{"n":"b","v":NaN},{"n":"c","v":-Infinity},{"n":"d","v":-nan},{"n":"e","v":1}]`,
			[]string{"a: is not a finite number", "b: is not a finite number", "c: is not a finite number", "d: is not a finite number", "e 1782864000 1"}},
		{"finite terms, infinite sum", `[{` + abs + `"bv":1e308,"n":"a","v":1e308},{"n":"b","vb":true}]`, []string{"a: is not a finite number", "b 1782864000 true"}},
		{"a base time that cannot be read", `[{"bt":"now","n":"a","v":1},{"n":"b","v":2},{"bt":1782864000,"n":"c","v":3}]`,
			[]string{"a: has a value of the wrong type", "b: depends on a base field", "c 1782864000 3"}},
		{"a base unit that cannot be read", `[{` + abs + `"bu":1,"n":"a","v":1},{"n":"b","v":2},{"n":"c","u":"A","v":3}]`,
			[]string{"a: has a value of the wrong type", "b: depends on a base field", "c 1782864000 3 A"}},
		{"another base field does not mend it", `[{"bt":"now","n":"a","v":1},{"bn":"x/","n":"b","v":2}]`,
			[]string{"a: has a value of the wrong type", "x/b: depends on a base field"}},
		{"a base value and sum that cannot be read", `[{` + abs + `"bv":"1","bs":true,"n":"a","v":1},{"n":"b","v":2},{"n":"c","vb":true},{"bv":1,"n":"d","v":2},{"n":"e","vb":true,"s":2}]`,
			[]string{"a: has a value of the wrong type", "b: depends on a base field", "c 1782864000 true", "d 1782864000 3", "e: depends on a base field"}},
		{"the base fields of a bad record count", `[{"bn":"x/",` + abs + `"n":"a","v":"?"},{"n":"b","v":2}]`, []string{"x/a: has a value of the wrong type", "x/b 1782864000 2"}},
		{"escapes in labels and values", "[{\"\\u006e\":\"\\u0061b\",\"bt\":1782864000,\"v\":1}]", []string{"ab 1782864000 1"}},
		{"strings may be anything", `[{` + abs + `"n":"a","vs":"grün \"\u00e9\n"}]`, []string{"a 1782864000 grün \"é\n"}},
		{"version 26 of RFC 9100", `[{"bver":26,` + abs + `"n":"a","u":"mA","v":1}]`, []string{"a 1782864000 1 mA"}},
		{"versions that agree", `[{` + abs + `"n":"a","v":1},{"bver":10,"n":"b","v":2}]`, []string{"a 1782864000 1", "b 1782864000 2"}},
	} {
		resolved := resolveText(t, test.pack)
		if len(resolved) != len(test.want) {
			t.Errorf("%s: %d records, want %d", test.rule, len(resolved), len(test.want))
			continue
		}
		for i, r := range resolved {
			got := line(r)
			if got != test.want[i] && !(r.Problem != NoProblem && strings.HasPrefix(got, test.want[i])) {
				t.Errorf("%s: record %d is %q, want %q", test.rule, i, got, test.want[i])
			}
		}
	}
}

// line writes a resolved record in one line.
func line(r Resolved) string {
	if r.Problem != NoProblem {
		return fmt.Sprintf("%s: %s", r.Name, r.Problem)
	}
	s := fmt.Sprintf("%s %.10g", r.Name, r.Time)
	switch r.Kind {
	case IsNumber:
		s += fmt.Sprintf(" %v", r.Value)
	case IsBoolean:
		s += fmt.Sprintf(" %v", r.Bool)
	case IsString, IsData:
		s += " " + string(r.Text)
	}
	if r.HasSum {
		s += fmt.Sprintf(" sum %v", r.Sum)
	}
	if len(r.Unit) > 0 {
		s += " " + string(r.Unit)
	}
	return s
}

// TestPlaced: a value that is no number still says which sensor sent it, and
// when, unless that is in doubt too.
func TestPlaced(t *testing.T) {
	for _, test := range []struct {
		pack   string
		placed bool
	}{
		{`[{"bn":"x/","bt":1782864000,"n":"a","t":-1,"v":NaN}]`, true},
		{`[{"bn":"x/","bt":1782864000,"n":"a","t":-1,"bv":1e308,"v":1e308}]`, true},
		{`[{"bn":"x/","bt":1782864000,"n":"a","t":-1,"v":1}]`, true},
		{`[{"bn":"x/","bt":1782864000,"n":"a","t":-1,"v":"NaN"}]`, false},
		{`[{"bn":"x/","bt":1782864000,"n":"a","t":NaN,"v":NaN}]`, false},
		{`[{"bn":"x/","bt":1782864000,"n":"a","v":NaN,"t":NaN}]`, false},
		{`[{"bn":"x/","bt":"?","n":"a","t":-1,"v":NaN}]`, false},
		{`[{"bn":"x/","bt":"?"},{"n":"a","t":-1,"v":NaN}]`, false},
		{`[{"bn":"x y/","bt":1782864000,"n":"a","t":-1,"v":NaN}]`, false},
	} {
		resolved := resolveText(t, test.pack)
		r := resolved[len(resolved)-1]
		if r.Placed != test.placed {
			t.Errorf("%s: placed %v (%v)", test.pack, r.Placed, r.Problem)
		}
		if r.Placed && (string(r.Name) != "x/a" || r.Time != 1782863999) {
			t.Errorf("%s: %q at %v", test.pack, r.Name, r.Time)
		}
	}
}

func TestVersions(t *testing.T) {
	for _, pack := range []string{
		`[{"bver":11,"n":"a","v":1}]`,
		`[{"bver":5.5,"n":"a","v":1}]`,
		`[{"bver":"10","n":"a","v":1}]`,
		`[{"bver":-1,"n":"a","v":1}]`,
		`[{"bver":5,"n":"a","v":1},{"bver":10,"n":"b","v":1}]`,
		`[{"n":"a","v":1},{"bver":5,"n":"b","v":1}]`,
	} {
		d := NewDecoder(Options{})
		records, err := d.Decode([]byte(pack))
		if err != nil {
			t.Fatal(err)
		}
		var version *VersionError
		if got, err := d.Resolve(records, now); !errors.As(err, &version) || got != nil {
			t.Errorf("%s: %v, %v; want a VersionError", pack, got, err)
		}
	}
}

func TestBrokenDocuments(t *testing.T) {
	for _, test := range []struct {
		payload string
		offset  int
	}{
		{``, 0},
		{`{}`, 0},
		{` x`, 1},
		{`[]`, 1},
		{`[{"n":"a","v":1}`, 16},
		{`[{"n":"a","v":1},]`, 17},
		{`[{"n":"a","v":1,}]`, 16},
		{`[{"n":"a","v":01}]`, 14},
		{`[{"n":"a","v":1.}]`, 14},
		{`[{"n":"a","v":.5}]`, 14},
		{`[{"n":"a","v":+1}]`, 14},
		{`[{"n":"a","v":1}]]`, 17},
		{`[{"n" "a"}]`, 6},
		{`[{"n":"a`, 8},
		{"[{\"n\":\"a\x01\"}]", 8},
		{"[{\"n\":\"a\xff\"}]", 7},
		{`[{"n":"\x"}]`, 7},
		{`[{"x":` + strings.Repeat("[", 40) + `]}]`, 38},
		{hexText("81"), 1},
		{hexText("80"), 1},
		{hexText("9fff"), 2},
		{hexText("81a1"), 2},
		{hexText("81a10062"), 4},
		{hexText("81a1006161ff"), 5},
		{hexText("81a1021c"), 3},
		{hexText("81a10ff81f"), 4},
	} {
		_, err := NewDecoder(Options{}).Decode([]byte(test.payload))
		var syntax *SyntaxError
		if !errors.As(err, &syntax) || syntax.Offset != test.offset {
			t.Errorf("%q: %v, want a syntax error at byte %d", test.payload, err, test.offset)
		}
	}
}

// hexText returns the bytes that digits write in hexadecimal.
func hexText(digits string) string {
	b, err := hex.DecodeString(digits)
	if err != nil {
		panic(err)
	}
	return string(b)
}

func TestBounds(t *testing.T) {
	d := NewDecoder(Options{MaxBytes: 60, MaxRecords: 2})
	for _, test := range []struct {
		payload string
		ok      bool
	}{
		{`[{"n":"a","v":1},{"n":"a","v":1}]`, true},
		{`[{"n":"a","v":1},{"n":"a","v":1},{"n":"a","v":1}]`, false},
		{`[{"n":"a","v":1}]` + strings.Repeat(" ", 60), false},
		{hexText("82a200616102f93e00a200616102f93e00"), true},
		{hexText("83a200616102f93e00a200616102f93e00a200616102f93e00"), false},
	} {
		if _, err := d.Decode([]byte(test.payload)); (err == nil) != test.ok || !test.ok && !errors.Is(err, ErrTooLarge) {
			t.Errorf("%q: %v", test.payload, err)
		}
	}
}

func TestCBORForms(t *testing.T) {
	for _, test := range []struct{ what, pack, want string }{
		{"an unsigned integer", "81a20061610205", "a 1700000000 5"},
		{"a negative integer", "81a20061610224", "a 1700000000 -5"},
		{"half precision", "81a200616102f93e00", "a 1700000000 1.5"},
		{"single precision", "81a200616102fa3fc00000", "a 1700000000 1.5"},
		{"a decimal fraction, 273.15 (RFC 8949, 3.4.4)", "81a200616102c48221196ab3", "a 1700000000 273.15"},
		{"a map of indefinite length", "81bf0061610205ff", "a 1700000000 5"},
		{"an array of indefinite length", "9fa20061610205ff", "a 1700000000 5"},
		{"octets", "81a200616108426869", "a 1700000000 hi"},
		{"an unknown text key", "81a300616161788261626162" + "0205", "a 1700000000 5"},
		{"an unknown text key that must be understood", "81a300616162785f010205", "a: has an unknown field"},
		{"NaN", "81a200616102f97e00", "a: is not a finite number"},
		{"infinity", "81a200616102fb7ff0000000000000", "a: is not a finite number"},
		{"text of indefinite length", "81a2007f6161ff0205", ": has a value of the wrong type"},
	} {
		resolved := resolveText(t, hexText(test.pack))
		if len(resolved) != 1 || !strings.HasPrefix(line(resolved[0]), test.want) {
			t.Errorf("%s: %v, want %s", test.what, resolved, test.want)
		}
	}
}

// TestCBORNumbers writes numbers of RFC 8949, appendix A, where floats with an
// integer value are written as the integers of the same table.
func TestCBORNumbers(t *testing.T) {
	for _, row := range []struct {
		v    float64
		want string
	}{
		{0, "00"}, {23, "17"}, {24, "1818"}, {100, "1864"}, {1000, "1903e8"}, {1000000, "1a000f4240"}, {1000000000000, "1b000000e8d4a51000"},
		{-1, "20"}, {-10, "29"}, {-100, "3863"}, {-1000, "3903e7"},
		{1.1, "fb3ff199999999999a"}, {1.5, "f93e00"}, {5.960464477539063e-8, "f90001"}, {0.00006103515625, "f90400"},
		{3.4028234663852886e+38, "fa7f7fffff"}, {1e300, "fb7e37e43c8800759c"}, {-4.1, "fbc010666666666666"},
		{math.Copysign(0, -1), "f98000"},
	} {
		payload := appendNumber(nil, row.v)
		if got := hex.EncodeToString(payload); got != row.want {
			t.Errorf("%v is written %s, want %s", row.v, got, row.want)
		}
		back, problem := cborNumber(payload, 0)
		if problem != NoProblem || math.Float64bits(back) != math.Float64bits(row.v) {
			t.Errorf("%v comes back as %v, %v", row.v, back, problem)
		}
	}
	for _, digits := range []string{"f97c00", "f97e00", "fa7f800000", "fb7ff8000000000000", "c4821901f401"} {
		if v, problem := cborNumber([]byte(hexText(digits)), 0); problem != NotFinite {
			t.Errorf("%s is %v, %v; want NotFinite", digits, v, problem)
		}
	}
}

func TestOrderOfFields(t *testing.T) {
	const want = `[{"bn":"x/","bt":1782864000,"n":"a","u":"A","t":-0.5,"v":0.0001},{"n":"b","t":1e-07,"vb":true}]`
	got, err := AppendJSON(nil, []Record{Number("a", "A", 1e-4).At(-0.5).Base("x/", 1782864000), Boolean("b", true).At(1e-7)})
	if err != nil || string(got) != want {
		t.Errorf("%s (%v), want %s", got, err, want)
	}
	for _, write := range []func([]byte, []Record) ([]byte, error){AppendJSON, AppendCBOR} {
		if got, err := write(nil, []Record{Number("a", "", math.Inf(1))}); err == nil {
			t.Errorf("infinity is written as %q", got)
		}
		if got, err := write(nil, nil); err == nil {
			t.Errorf("a pack without records is written as %q", got)
		}
	}
}

func TestRecordErrorNamesTheRecord(t *testing.T) {
	resolved := resolveText(t, `[{"n":"ambient","v":1},{"n":"coil_out","v":"warm"}]`)
	if err := resolved[0].Err(); err != nil {
		t.Errorf("good record: %v", err)
	}
	const want = `record 1 ("coil_out"): "v" has a value of the wrong type`
	if err := resolved[1].Err(); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}
