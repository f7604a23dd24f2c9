package senml

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"
)

// seedPacks are what the fuzz tests start from.
var seedPacks = []string{
	rfc511, rfc512, rfc513, rfc514, rfc515, rfc516, rfc517, rfc517Lights,
	`[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","u":"Cel","v":3.4},{"n":"door","vb":false}]`,
	`[{"n":"a","v":-0,"s":1e-7,"ut":6.02e+23,"x_":[{"y":"\u00e4\ud83d\ude00"},null,-1.5E3]}]`,
	`[{"n":"a","v":1,"v":2},7,{"n":"b","vd":"a=","vb":"x","bver":10.0,"bs":1,"bv":-2}]`,
	`[{"n":"a","v":123456789012345678901234567890.5e-12},{"v":0.1},{"v":9007199254740993},{"v":1e999}]`,
	` [ { "n" : "a" , "v" : NaN } , { } , [ ] , "x" ] `,
}

// notNumbers are the words that are let through though they are not JSON.
var notNumbers = regexp.MustCompile(`NaN|nan|Infinity|inf`)

// FuzzJSON holds the scanner against encoding/json.
func FuzzJSON(f *testing.F) {
	for _, pack := range seedPacks {
		f.Add([]byte(pack))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		if !utf8.Valid(payload) {
			return // encoding/json puts replacement characters; a SenML document is refused
		}
		if len(payload) > 0 && payload[0]&0xe0 == 0x80 {
			return
		}
		d := NewDecoder(Options{})
		got, err := d.Decode(payload)
		want, ok := plainJSON(payload)
		switch {
		case err != nil && ok && strings.Contains(err.Error(), "nested"):
		case err == nil && !ok && notNumbers.Match(payload):
		case (err == nil) != ok:
			t.Fatalf("%q: %v; encoding/json finds a pack: %v", payload, err, ok)
		case ok:
			requireRecords(t, got, want)
		}
		if err == nil {
			_, _ = d.Resolve(got, now)
			requireRoundTrip(t, got)
		}
	})
}

// plainJSON decodes a pack with encoding/json, slowly and plainly.
func plainJSON(payload []byte) ([]Record, bool) {
	var elements []json.RawMessage
	if err := json.Unmarshal(payload, &elements); err != nil || len(elements) == 0 {
		return nil, false
	}
	records := make([]Record, len(elements))
	for i, element := range elements {
		r := &records[i]
		if element[0] != '{' {
			r.fail(NotARecord, N)
			continue
		}
		tokens := json.NewDecoder(bytes.NewReader(element))
		_, _ = tokens.Token() // its brace
		for tokens.More() {
			key, _ := tokens.Token()
			var raw json.RawMessage
			if err := tokens.Decode(&raw); err != nil {
				return nil, false
			}
			plainField(r, key.(string), raw)
		}
	}
	return records, true
}

func plainField(r *Record, key string, raw json.RawMessage) {
	l, known := Label(0), false
	for k, name := range labelNames {
		if name == key {
			l, known = Label(k), true
		}
	}
	if !known {
		if strings.HasSuffix(key, "_") {
			r.fail(MustUnderstand, N)
		}
		return
	}
	if (r.Has | r.Bad).Has(l) {
		r.spoil(Twice, l)
		return
	}
	var value any
	number := raw[0] == '-' || raw[0] >= '0' && raw[0] <= '9'
	if !number && json.Unmarshal(raw, &value) != nil {
		return
	}
	problem := WrongType
	switch {
	case r.number(l) != nil:
		if number {
			v, err := strconv.ParseFloat(string(raw), 64)
			if *r.number(l), problem = v, NoProblem; err != nil {
				problem = NotFinite
			}
		}
	case r.text(l) != nil:
		if s, ok := value.(string); ok {
			*r.text(l), problem = []byte(s), NoProblem
		}
	case l == VB:
		if b, ok := value.(bool); ok {
			r.Bool, problem = b, NoProblem
		}
	case l == VD:
		if s, ok := value.(string); ok {
			if b, err := base64.RawURLEncoding.DecodeString(s); err == nil {
				r.Data, problem = b, NoProblem
			}
		}
	case l == BVer:
		if number {
			v, err := strconv.ParseFloat(string(raw), 64)
			if err == nil && v >= 0 && v == float64(int32(v)) && raw[0] != '-' {
				r.BaseVersion, problem = int(v), NoProblem
			}
		}
	}
	if problem != NoProblem {
		r.spoil(problem, l)
		return
	}
	r.Has = r.Has.With(l)
}

// requireRoundTrip writes the good records in both forms and reads them again.
func requireRoundTrip(t *testing.T, records []Record) {
	t.Helper()
	var good []Record
	for _, r := range records {
		if r.Problem == NoProblem {
			good = append(good, r)
		}
	}
	if len(good) == 0 {
		return
	}
	for _, write := range []func([]byte, []Record) ([]byte, error){AppendJSON, AppendCBOR} {
		payload, err := write(nil, good)
		if err != nil {
			t.Fatalf("write %+v: %v", good, err)
		}
		again, err := NewDecoder(Options{MaxBytes: 1 << 30, MaxRecords: 1 << 30}).Decode(payload)
		if err != nil {
			t.Fatalf("read what was written, %q: %v", payload, err)
		}
		requireRecords(t, again, good)
	}
}

// FuzzCBOR holds the reader against github.com/fxamacker/cbor.
func FuzzCBOR(f *testing.F) {
	for _, pack := range seedPacks {
		records, err := NewDecoder(Options{}).Decode([]byte(pack))
		if err != nil {
			continue // the one with words that are no JSON
		}
		if payload, err := AppendCBOR(nil, records); err == nil {
			f.Add(payload)
		}
	}
	for _, digits := range []string{
		rfc6, "9fa20061610205ff", "81bf0061610205ff", "81a200616102c48221196ab3", "81a3006161617882616261620205",
		"81a2007f6161ff0205", "82a200616102f97e000102", "81a10242ffff", "81a10263ff8080", "81a2003bffffffffffffffff02f90001", "81c03830",
	} {
		f.Add([]byte(hexText(digits)))
	}
	mode, err := cbor.DecOptions{DupMapKey: cbor.DupMapKeyEnforcedAPF, UTF8: cbor.UTF8DecodeInvalid, MaxNestedLevels: 64}.DecMode()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		if len(payload) == 0 || payload[0]&0xe0 != 0x80 {
			return
		}
		d := NewDecoder(Options{})
		got, err := d.Decode(payload)
		if err != nil && strings.Contains(err.Error(), "nested") {
			return
		}
		empty := payload[0] == 0x80 || len(payload) > 1 && payload[0] == 0x9f && payload[1] == cborBreak
		if ok := mode.Wellformed(payload) == nil && !empty; (err == nil) != ok {
			t.Fatalf("%x: %v; the library finds a pack: %v", payload, err, ok)
		}
		var elements []cbor.RawMessage
		if err != nil || mode.Unmarshal(payload, &elements) != nil {
			return // the library also looks into tags that mean nothing here
		}
		for i, element := range elements {
			requireAgreement(t, mode, element, &got[i])
		}
		_, _ = d.Resolve(got, now)
		requireRoundTrip(t, got)
	})
}

// requireAgreement compares the fields of r with what the library reads.
func requireAgreement(t *testing.T, mode cbor.DecMode, element cbor.RawMessage, r *Record) {
	t.Helper()
	if r.Problem == NotARecord {
		if element[0]>>5 == cborMap {
			t.Errorf("%x is a map", element)
		}
		return
	}
	var fields map[any]cbor.RawMessage
	if mode.Unmarshal(element, &fields) != nil {
		return // keys twice, or of kinds that Go's maps do not take
	}
	for l := Label(0); l < numLabels; l++ {
		raw, there := fields[l.cbor()]
		if !there && l.cbor() >= 0 {
			raw, there = fields[uint64(l.cbor())]
		}
		if there != (r.Has | r.Bad).Has(l) {
			t.Errorf("%x: %s is there: %v", element, l, there)
		}
		if !there || !r.Has.Has(l) {
			continue
		}
		var value any
		if err := mode.Unmarshal(raw, &value); err != nil {
			t.Fatalf("%x: %s: %v", element, l, err)
		}
		same := true
		switch v := value.(type) {
		case uint64:
			if p := r.number(l); p != nil {
				same = *p == float64(v)
			} else {
				same = l == BVer && r.BaseVersion == int(v)
			}
		case int64:
			same = *r.number(l) == float64(v)
		case big.Int:
			f, _ := new(big.Float).SetInt(&v).Float64()
			same = *r.number(l) == f
		case float64:
			same = *r.number(l) == v
		case string:
			same = string(*r.text(l)) == v
		case []byte:
			same = bytes.Equal(r.Data, v)
		case bool:
			same = r.Bool == v
		case cbor.Tag: // a decimal fraction; TestCBORForms has its value
			same = v.Number == tagDecimalFraction
		default:
			same = false
		}
		if !same {
			t.Errorf("%x: %s is %+v, the library reads %v", element, l, *r, value)
		}
	}
}

// FuzzNumber holds the number scanner against strconv, bit for bit.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"0", "-0", "3.4", "-7.9", "1782864000", "1e22", "1e23", "9007199254740993", "0.1e-22", "123456789012345", "1234567890123456", "4.9e-324", "6.5778491027943236", "393822778.01338157", "1e999", "00", "1.", "1e"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, end, ok := scanNumber([]byte(s), 0)
		if end == 0 {
			if json.Valid([]byte(s)) && len(s) > 0 && (s[0] == '-' || s[0] >= '0' && s[0] <= '9') {
				t.Fatalf("%q is a number", s)
			}
			return
		}
		if !json.Valid([]byte(s[:end])) {
			t.Fatalf("%q is not JSON", s[:end])
		}
		want, err := strconv.ParseFloat(s[:end], 64)
		if ok != (err == nil) || ok && (v != want || 1/v != 1/want) {
			t.Fatalf("%q is %v (%v), strconv says %v (%v)", s[:end], v, ok, want, err)
		}
	})
}

// TestFuzzSeeds fails when a fuzz test would start from nothing.
func TestFuzzSeeds(t *testing.T) {
	for i, pack := range seedPacks {
		records, err := NewDecoder(Options{}).Decode([]byte(pack))
		if err != nil || len(records) == 0 {
			t.Errorf("seed %d: %d records, %v", i, len(records), err)
		}
	}
}
