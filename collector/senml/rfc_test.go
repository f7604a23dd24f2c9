package senml

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// The examples of RFC 8428, section 5.1, by their sections.
const (
	rfc511 = `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`

	rfc512 = `[
     {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
      "bu":"A","bver":5,
      "n":"voltage","u":"V","v":120.1},
     {"n":"current","t":-5,"v":1.2},
     {"n":"current","t":-4,"v":1.3},
     {"n":"current","t":-3,"v":1.4},
     {"n":"current","t":-2,"v":1.5},
     {"n":"current","t":-1,"v":1.6},
     {"n":"current","v":1.7}
   ]`

	rfc513 = `[
     {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
      "bu":"%RH","v":20},
     {"u":"lon","v":24.30621},
     {"u":"lat","v":60.07965},
     {"t":60,"v":20.3},
     {"u":"lon","t":60,"v":24.30622},
     {"u":"lat","t":60,"v":60.07965},
     {"t":120,"v":20.7},
     {"u":"lon","t":120,"v":24.30623},
     {"u":"lat","t":120,"v":60.07966},
     {"u":"%EL","t":150,"v":98},
     {"t":180,"v":21.2},
     {"u":"lon","t":180,"v":24.30628},
     {"u":"lat","t":180,"v":60.07967}
   ]`

	// The pack of 5.1.3, resolved.
	rfc514 = `[
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
     {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
     {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
   ]`

	rfc515 = `[
     {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
     {"n":"label","vs":"Machine Room"},
     {"n":"open","vb":false},
     {"n":"nfc-reader","vd":"aGkgCg"}
   ]`

	rfc516 = `[
     {"bn":"2001:db8::2/","bt":1.320078429e+09,
      "n":"temperature","u":"Cel","v":25.2},
     {"n":"humidity","u":"%RH","v":30},
     {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
     {"n":"humidity","u":"%RH","v":67}
   ]`

	rfc517 = `[
     {"bn":"urn:dev:ow:10e2073a01080063:"},
     {"n":"temp","u":"Cel","v":23.1},
     {"n":"heat","u":"/","v":1},
     {"n":"fan","u":"/","v":0}
   ]`

	rfc517Lights = `[
     {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},
     {"n":"2001:db8::4","v":0.5},
     {"n":"2001:db8::3","t":0.1,"v":0},
     {"n":"2001:db8::4","t":0.1,"v":0}
   ]`
)

// rfc6 is the CBOR of RFC 8428, section 6.
const rfc6 = "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a" +
	"22fb41d303a15b00106223614120050067766f6c7461676501615602fb405e066666666666" +
	"a3006763757272656e74062402fb3ff3333333333333" +
	"a3006763757272656e74062302fb3ff4cccccccccccd" +
	"a3006763757272656e74062202fb3ff6666666666666" +
	"a3006763757272656e74062102f93e00" +
	"a3006763757272656e74062002fb3ff999999999999a" +
	"a3006763757272656e74060002fb3ffb333333333333"

// now is what relative times are relative to in these tests.
const now = 1.7e9

// resolveText decodes and resolves, and fails the test when the pack as a whole
// is refused.
func resolveText(t testing.TB, payload string) []Resolved {
	t.Helper()
	d := NewDecoder(Options{})
	records, err := d.Decode([]byte(payload))
	if err != nil {
		t.Fatalf("Decode(%s): %v", payload, err)
	}
	resolved, err := d.Resolve(records, now)
	if err != nil {
		t.Fatalf("Resolve(%s): %v", payload, err)
	}
	return resolved
}

// measurement is a resolved record in a form to compare.
type measurement struct {
	name, unit string
	time       float64
	value      any
}

func measurementOf(r Resolved) measurement {
	m := measurement{name: string(r.Name), unit: string(r.Unit), time: r.Time}
	switch r.Kind {
	case IsNumber:
		m.value = r.Value
	case IsBoolean:
		m.value = r.Bool
	case IsString, IsData:
		m.value = string(r.Text)
	}
	return m
}

func TestExamplesOfRFC8428(t *testing.T) {
	const ow = "urn:dev:ow:10e2073a0108006:"
	const bt = 1276020076.001
	for section, test := range map[string]struct {
		pack string
		want []measurement
	}{
		"5.1.1": {rfc511, []measurement{{"urn:dev:ow:10e2073a01080063", "Cel", now, 23.1}}},
		"5.1.2": {rfc512, []measurement{
			{ow + "voltage", "V", bt, 120.1},
			{ow + "current", "A", bt - 5, 1.2},
			{ow + "current", "A", bt - 4, 1.3},
			{ow + "current", "A", bt - 3, 1.4},
			{ow + "current", "A", bt - 2, 1.5},
			{ow + "current", "A", bt - 1, 1.6},
			{ow + "current", "A", bt, 1.7},
		}},
		"5.1.5": {rfc515, []measurement{
			{"urn:dev:ow:10e2073a01080063:temp", "Cel", now, 23.1},
			{"urn:dev:ow:10e2073a01080063:label", "", now, "Machine Room"},
			{"urn:dev:ow:10e2073a01080063:open", "", now, false},
			{"urn:dev:ow:10e2073a01080063:nfc-reader", "", now, "hi \n"},
		}},
		"5.1.6": {rfc516, []measurement{
			{"2001:db8::2/temperature", "Cel", 1320078429, 25.2},
			{"2001:db8::2/humidity", "%RH", 1320078429, 30.},
			{"2001:db8::1/temperature", "Cel", 1320078429, 12.3},
			{"2001:db8::1/humidity", "%RH", 1320078429, 67.},
		}},
		"5.1.7": {rfc517, []measurement{
			{"urn:dev:ow:10e2073a01080063:temp", "Cel", now, 23.1},
			{"urn:dev:ow:10e2073a01080063:heat", "/", now, 1.},
			{"urn:dev:ow:10e2073a01080063:fan", "/", now, 0.},
		}},
		"5.1.7, lights": {rfc517Lights, []measurement{
			{"2001:db8::3", "/", 1320078429, 0.5},
			{"2001:db8::4", "/", 1320078429, 0.5},
			{"2001:db8::3", "/", 1320078429.1, 0.},
			{"2001:db8::4", "/", 1320078429.1, 0.},
		}},
	} {
		resolved := resolveText(t, test.pack)
		if len(resolved) != len(test.want) {
			t.Errorf("%s: %d records, want %d", section, len(resolved), len(test.want))
			continue
		}
		for i, r := range resolved {
			if got := measurementOf(r); r.Problem != NoProblem || got != test.want[i] {
				t.Errorf("%s: record %d is %+v (%v), want %+v", section, i, got, r.Problem, test.want[i])
			}
		}
	}
}

func TestResolvedExampleOfRFC8428(t *testing.T) {
	got, want := resolveText(t, rfc513), resolveText(t, rfc514)
	if len(got) != 13 || len(want) != 13 {
		t.Fatalf("%d and %d records, want 13", len(got), len(want))
	}
	for i := range got {
		if g, w := measurementOf(got[i]), measurementOf(want[i]); g != w {
			t.Errorf("record %d of 5.1.3 resolves to %+v; 5.1.4 says %+v", i, g, w)
		}
	}
}

func TestCBORExampleOfRFC8428(t *testing.T) {
	want, err := hex.DecodeString(rfc6)
	if err != nil {
		t.Fatal(err)
	}
	// Section 6 writes the time of the last record, 0, which the JSON of 5.1.2
	// leaves out.
	pack := strings.Replace(rfc512, `{"n":"current","v":1.7}`, `{"n":"current","t":0,"v":1.7}`, 1)
	records, err := NewDecoder(Options{}).Decode([]byte(pack))
	if err != nil {
		t.Fatal(err)
	}
	got, err := AppendCBOR(nil, records)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("the pack of 5.1.2 in CBOR is\n%x (%v); section 6 says\n%x", got, err, want)
	}
	fromCBOR, err := NewDecoder(Options{}).Decode(want)
	if err != nil {
		t.Fatal(err)
	}
	requireRecords(t, fromCBOR, records)
}

func TestJSONIsWrittenAsInRFC8428(t *testing.T) {
	for _, pack := range []string{rfc511, rfc512, rfc513, rfc514, rfc515, rfc516, rfc517, rfc517Lights} {
		records, err := NewDecoder(Options{}).Decode([]byte(pack))
		if err != nil {
			t.Fatal(err)
		}
		text, err := AppendJSON(nil, records)
		if err != nil {
			t.Fatal(err)
		}
		// The RFC's own numbers have other spellings (1.276020076001e+09):
		// compare what a JSON parser sees.
		var got, want any
		if json.Unmarshal(text, &got) != nil || json.Unmarshal([]byte(pack), &want) != nil {
			t.Fatalf("not JSON: %s", text)
		}
		g, _ := json.Marshal(got)
		w, _ := json.Marshal(want)
		if !bytes.Equal(g, w) {
			t.Errorf("written %s, want %s", g, w)
		}
	}
}

// requireRecords compares records field by field; floats must be the same bits.
func requireRecords(t testing.TB, got, want []Record) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d records, want %d", len(got), len(want))
	}
	for i := range want {
		g, w := &got[i], &want[i]
		if g.Has != w.Has || g.Bad != w.Bad || g.Problem != w.Problem {
			t.Errorf("record %d: has %b, bad %b, %v; want has %b, bad %b, %v", i, g.Has, g.Bad, g.Problem, w.Has, w.Bad, w.Problem)
			continue
		}
		for l := Label(0); l < numLabels; l++ {
			if !w.Has.Has(l) {
				continue
			}
			same := true
			if p := g.number(l); p != nil {
				same = math.Float64bits(*p) == math.Float64bits(*w.number(l))
			} else if p := g.text(l); p != nil {
				same = bytes.Equal(*p, *w.text(l))
			} else if l == VD {
				same = bytes.Equal(g.Data, w.Data)
			} else {
				same = g.Bool == w.Bool && g.BaseVersion == w.BaseVersion
			}
			if !same {
				t.Errorf("record %d: %s is %+v, want %+v", i, l, *g, *w)
			}
		}
	}
}
