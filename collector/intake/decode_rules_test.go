package intake

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"coilward/collector"
	"coilward/collector/senml"
)

// values is short for what a reading carries.
type values = map[collector.Channel]float64

// refusal is a Refusal in a form to compare.
type refusal struct {
	reason  collector.Reason
	record  int
	channel string
}

func TestDecodeRules(t *testing.T) {
	const bt = `"bt":1782864000,`
	for _, test := range []struct {
		rule    string
		payload string
		want    []collector.Reading
		refused []refusal
	}{
		{"units that convert", `[{` + bt + `"n":"cabinet_air","u":"K","v":276.65},{"n":"compressor_current","u":"mA","v":2950},{"n":"energy","u":"kWh","v":29.864},
		  {"n":"mains_voltage","u":"mV","v":115200},{"n":"evap_fan_speed","u":"Hz","v":25},{"n":"cond_fan_speed","u":"1/s","v":20}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3.5, collector.CompressorCurrent: 2.95, collector.Energy: 29864,
				collector.MainsVoltage: 115.2, collector.EvapFanSpeed: 1500, collector.CondFanSpeed: 1200})}, nil},
		{"a base unit, and none at all", `[{` + bt + `"bu":"K","n":"cabinet_air","v":276.65}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3.5})}, nil},
		{"no unit is the table's", `[{` + bt + `"n":"cabinet_air","v":3.5}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3.5})}, nil},
		{"units that do not", `[{` + bt + `"n":"cabinet_air","u":"degF","v":38},{"n":"humidity","u":"%","v":54},{"n":"coil_out","u":"A","v":2},{"n":"ambient","u":"Cel","v":24}]`,
			[]collector.Reading{reading(0, values{collector.Ambient: 24})},
			[]refusal{{collector.UnknownUnit, 0, "cabinet_air"}, {collector.UnknownUnit, 1, "humidity"}, {collector.UnknownUnit, 2, "coil_out"}}},
		{"what no cabinet can be", `[{` + bt + `"n":"cabinet_air","u":"Cel","v":-127},{"n":"coil_out","u":"Cel","v":850},{"n":"energy","u":"Wh","v":-1},{"n":"coil_in","v":NaN},{"n":"ambient","u":"K","v":0},{"n":"door","vb":true}]`,
			[]collector.Reading{reading(0, values{collector.Door: 1})},
			[]refusal{{collector.Impossible, 0, "cabinet_air"}, {collector.Impossible, 1, "coil_out"}, {collector.Impossible, 2, "energy"}, {collector.Impossible, 3, "coil_in"}, {collector.Impossible, 4, "ambient"}}},
		{"the limits themselves are possible", `[{` + bt + `"n":"cabinet_air","u":"Cel","v":-50},{"n":"supply_air","u":"Cel","v":90}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: -50, collector.SupplyAir: 90})}, nil},
		{"booleans as switches", `[{` + bt + `"n":"door","v":1},{"n":"compressor_call","u":"/","v":0}]`,
			[]collector.Reading{reading(0, values{collector.Door: 1, collector.CompressorCall: 0})}, nil},
		{"booleans that are none", `[{` + bt + `"n":"door","v":0.5},{"n":"compressor_call","u":"V","v":1},{"n":"ambient","v":20}]`,
			[]collector.Reading{reading(0, values{collector.Ambient: 20})},
			[]refusal{{collector.WrongType, 0, "door"}, {collector.UnknownUnit, 1, "compressor_call"}}},
		{"wrong types", `[{` + bt + `"n":"cabinet_air","vb":true},{"n":"coil_out","vs":"-7.9"},{"n":"ambient","v":"20"},{"n":"door","vs":"open"},{"n":"energy","s":5},{"n":"coil_in","v":-8}]`,
			[]collector.Reading{reading(0, values{collector.CoilIn: -8})},
			[]refusal{{collector.WrongType, 2, "ambient"}, {collector.WrongType, 0, "cabinet_air"}, {collector.WrongType, 1, "coil_out"}, {collector.WrongType, 3, "door"}, {collector.WrongType, 4, "energy"}}},
		{"everything up to the last slash is ignored", `[{"bn":"urn:dev:mac:0024befffe804ff1/a/",` + bt + `"n":"b/cabinet_air","v":3.5}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3.5})}, nil},
		{"a base name may be the whole name", `[{"bn":"cab-0417/cabinet_air",` + bt + `"v":3.5},{"t":60,"v":3.6}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3.5}), reading(60000, values{collector.CabinetAir: 3.6})}, nil},
		{"instants in order of time", `[{` + bt + `"n":"cabinet_air","t":120,"v":3},{"n":"cabinet_air","t":-60,"v":1},{"n":"cabinet_air","v":2},{"n":"ambient","t":-60,"v":21},{"n":"ambient","v":22},{"n":"ambient","t":120,"v":23}]`,
			[]collector.Reading{reading(-60000, values{collector.CabinetAir: 1, collector.Ambient: 21}),
				reading(0, values{collector.CabinetAir: 2, collector.Ambient: 22}), reading(120000, values{collector.CabinetAir: 3, collector.Ambient: 23})}, nil},
		{"milliseconds matter", `[{` + bt + `"n":"cabinet_air","v":3},{"n":"cabinet_air","t":0.001,"v":4}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3}), reading(1, values{collector.CabinetAir: 4})}, nil},
		{"relative to received", `[{"n":"cabinet_air","v":3},{"n":"cabinet_air","t":-62.5,"v":4}]`,
			[]collector.Reading{reading(2500-62500, values{collector.CabinetAir: 4}), reading(2500, values{collector.CabinetAir: 3})}, nil},
		{"the first of two values is kept", `[{` + bt + `"n":"cabinet_air","v":3},{"n":"x/cabinet_air","v":4},{"n":"door","vb":true}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3, collector.Door: 1})},
			[]refusal{{collector.Duplicate, 1, "cabinet_air"}}},
		{"milliseconds for seconds", `[{"bt":1782864000000,"n":"cabinet_air","v":3},{"n":"cabinet_air","t":60000,"v":4}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3}), reading(60000, values{collector.CabinetAir: 4})},
			[]refusal{{collector.RepairedTime, 0, "cabinet_air"}}},
		{"microseconds for seconds", `[{"n":"cabinet_air","t":1782864000000000,"v":3}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3})},
			[]refusal{{collector.RepairedTime, 0, "cabinet_air"}}},
		{"a backlog in milliseconds", `[{"n":"cabinet_air","t":1780272000000,"v":3}]`,
			[]collector.Reading{reading(-30*24*3600*1000, values{collector.CabinetAir: 3})},
			[]refusal{{collector.RepairedTime, 0, "cabinet_air"}}},
		{"a far time that is no other unit", `[{"n":"cabinet_air","t":4000000000000,"v":3},{"n":"cabinet_air","t":1e300,"v":3},{"n":"ambient","t":-1e300,"v":3},` + `{` + bt + `"n":"ambient","v":20}]`,
			[]collector.Reading{reading(0, values{collector.Ambient: 20})},
			[]refusal{{collector.FromFuture, 0, "cabinet_air"}, {collector.FromFuture, 1, "cabinet_air"}, {collector.TooOld, 2, "ambient"}}},
		{"a clock that is years off is left to admission", `[{"n":"cabinet_air","t":1940544000,"v":3},{"n":"ambient","t":300000000,"v":20}]`,
			[]collector.Reading{reading(300000000000-instant0, values{collector.Ambient: 20}), reading(1940544000000-instant0, values{collector.CabinetAir: 3})}, nil},
		{"a name that is none", `[{"bn":"cab-0417/",` + bt + `"n":"","v":3},{"n":"cabinet_air","v":3}]`,
			[]collector.Reading{reading(0, values{collector.CabinetAir: 3})}, []refusal{{collector.Malformed, 0, ""}}},
		{"no document", `{"cabinet_air":3}`, nil, []refusal{{collector.Malformed, WholeMessage, ""}}},
		{"another version", `[{"bver":11,` + bt + `"n":"cabinet_air","v":3}]`, nil, []refusal{{collector.Malformed, WholeMessage, ""}}},
		{"too many bytes", `[{` + bt + `"n":"cabinet_air","v":3}]` + strings.Repeat(" ", 1000), nil, []refusal{{collector.TooLarge, WholeMessage, ""}}},
	} {
		d := NewDecoder(DecoderOptions{MaxBytes: 1000})
		got, refusals := d.Decode(nil, received, topic, []byte(test.payload))
		t.Run(test.rule, func(t *testing.T) {
			requireReadings(t, got, test.want...)
			requireRefusals(t, refusals, test.refused...)
		})
	}
}

func requireRefusals(t *testing.T, got []Refusal, want ...refusal) {
	t.Helper()
	var plain []refusal
	for _, r := range got {
		plain = append(plain, refusal{r.Reason, r.Record, r.Channel})
		if text := r.Error(); text == "" || strings.Contains(text, "%!") || strings.Contains(text, "<nil>") {
			t.Errorf("text of %v: %q", r.Reason, text)
		}
	}
	if !slices.Equal(plain, want) {
		t.Errorf("refused %v, want %v", plain, want)
	}
}

func TestUnknownChannelsAreKept(t *testing.T) {
	d := NewDecoder(DecoderOptions{MaxExtra: 5})
	payload := []byte(`[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","v":3.5},{"n":"suction","u":"hPa","v":2900},{"n":"lamp","vb":true},
	  {"n":"firmware","vs":"7.2"},{"n":"tag","vd":"aGkgCg"},{"n":"suction","v":1},{"n":"pulses","s":4},{"n":"` + strings.Repeat("x", 65) + `","v":1},{"n":"e","v":1},{"n":"f","v":1},{"n":"g","v":NaN},{"bv":1e308,"n":"h","v":1e308}]`)
	got, refusals := d.Decode(nil, received, topic, payload)
	requireReadings(t, got, reading(0, values{collector.CabinetAir: 3.5}))
	requireRefusals(t, refusals, refusal{collector.Duplicate, 5, "suction"}, refusal{collector.WrongType, 6, "pulses"},
		refusal{collector.TooLarge, 7, strings.Repeat("x", 65)}, refusal{collector.TooLarge, 9, "f"},
		refusal{collector.Impossible, 10, "g"}, refusal{collector.Impossible, 11, "h"})
	clear(payload) // the readings must not need it
	want := []collector.Extra{{Name: "suction", Unit: "hPa", Value: 2900}, {Name: "lamp", Value: 1}, {Name: "firmware", Text: "7.2"}, {Name: "tag", Text: "aGkgCg"}, {Name: "e", Value: 1}}
	if !slices.Equal(got[0].Extra, want) {
		t.Errorf("extra %+v, want %+v", got[0].Extra, want)
	}
}

// TestNothingUsableMakesNoReading: a reading without a channel would say that
// all is as before.
func TestNothingUsableMakesNoReading(t *testing.T) {
	for _, payload := range []string{
		`[{"bt":1782864000,"n":"cabinet_air","u":"degF","v":38}]`,
		`[{"bt":1782864000,"n":"suction","v":NaN}]`,
		`[{"bt":1782864000,"n":"pulses","s":1}]`,
		`[{"bn":"cab-0417/"}]`,
	} {
		if got, _ := NewDecoder(DecoderOptions{}).Decode(nil, received, topic, []byte(payload)); len(got) != 0 {
			t.Errorf("%s became %+v", payload, got)
		}
	}
}

// TestBrokenProbe: that all its probes are open does not make a machine silent.
func TestBrokenProbe(t *testing.T) {
	got, refusals := NewDecoder(DecoderOptions{}).Decode(nil, received, topic,
		[]byte(`[{"bt":1782864000,"n":"cabinet_air","u":"K","v":146.15},{"n":"coil_out","v":nan},{"n":"door","v":NaN},{"n":"cabinet_air","v":-127}]`))
	requireReadings(t, got, reading(0, nil))
	requireRefusals(t, refusals, refusal{collector.Impossible, 0, "cabinet_air"}, refusal{collector.Impossible, 1, "coil_out"}, refusal{collector.Impossible, 2, "door"}, refusal{collector.Impossible, 3, "cabinet_air"})
	want := []collector.Extra{{Name: "cabinet_air", Unit: "Cel", Value: -127}, {Name: "coil_out", Unit: "Cel", Text: "NaN"}, {Name: "door", Text: "NaN"}}
	if !slices.Equal(got[0].Extra, want) {
		t.Errorf("extra %+v, want %+v", got[0].Extra, want)
	}
}

func TestTopics(t *testing.T) {
	longest := strings.Repeat("a", 64)
	for topic, want := range map[string]address{
		"cabinets/oakmill/cab-0417/readings":              {site: "oakmill", machine: "cab-0417"},
		"cabinets/oakmill/cab-0417/status":                {site: "oakmill", machine: "cab-0417", status: true},
		"cabinets/" + longest + "/" + longest + "/status": {site: longest, machine: longest, status: true},
		"cabinets/0/A.b_c-d/readings":                     {site: "0", machine: "A.b_c-d"},
		"cabinets/oakmill/cab-0417/reading":               {},
		"cabinets/oakmill/cab-0417":                       {},
		"cabinets/oakmill/cab-0417/readings/x":            {},
		"cabinets/oakmill//readings":                      {},
		"cabinets//cab-0417/readings":                     {},
		"cabinets/oakmill/-cab/readings":                  {},
		"cabinets/oakmill/cab 1/readings":                 {},
		"cabinets/oakmill/cab\x00/readings":               {},
		"cabinets/oakmill/" + longest + "a/readings":      {},
		"cabinet/oakmill/cab-0417/readings":               {},
		"cabinetsxoakmill/cab-0417/readings":              {},
		"cabinetsx/oakmill/cab-0417/readings":             {},
		"/cabinets/oakmill/cab-0417/readings":             {},
		"":                                                {}, "cabinets": {}, "cabinets/": {}, "cabinets///": {},
	} {
		got, ok := parseTopic("cabinets", topic)
		if ok != (want != address{}) || ok && got != want {
			t.Errorf("%q: %+v, %v; want %+v", topic, got, ok, want)
		}
	}
	got, refusals := NewDecoder(DecoderOptions{Root: "plant/7"}).Decode(nil, received, "plant/7/oakmill/cab-0417/readings", []byte(example))
	if len(got) != 1 || len(refusals) != 0 {
		t.Errorf("root of two levels: %v, %v", got, refusals)
	}
	_, refusals = NewDecoder(DecoderOptions{}).Decode(nil, received, "cabinets/x", nil)
	requireRefusals(t, refusals, refusal{collector.BadTopic, WholeMessage, "cabinets/x"})
}

// TestChannelTable finds every channel of the table, and nothing else.
func TestChannelTable(t *testing.T) {
	for c := range infos {
		name := infos[c].Name
		if got, ok := channels.find([]byte(name)); !ok || int(got) != c {
			t.Errorf("%s: %v, %v", name, got, ok)
		}
		for _, other := range []string{name + "x", name[1:], strings.ToUpper(name), ""} {
			if got, ok := channels.find([]byte(other)); ok && got.String() != other {
				t.Errorf("%q found as %v", other, got)
			}
		}
	}
}

func TestCBORMessage(t *testing.T) {
	records, err := senml.NewDecoder(senml.Options{}).Decode([]byte(example))
	if err != nil {
		t.Fatal(err)
	}
	payload, err := senml.AppendCBOR(nil, records)
	if err != nil {
		t.Fatal(err)
	}
	d := NewDecoder(DecoderOptions{})
	fromJSON, _ := d.Decode(nil, received, topic, []byte(example))
	fromCBOR, refusals := d.Decode(nil, received, topic, payload)
	requireReadings(t, fromCBOR, fromJSON...)
	requireRefusals(t, refusals)
}

// TestManyInstants sends many instants backwards, each with two values of one
// channel: sorting must leave the first of them first.
func TestManyInstants(t *testing.T) {
	var payload strings.Builder
	var want []collector.Reading
	var again []refusal
	for i := range 100 {
		comma := ","
		if i == 0 {
			comma = `[`
		}
		fmt.Fprintf(&payload, `%s{"n":"ambient","t":%d,"v":%d},{"n":"ambient","t":%[2]d,"v":70}`, comma, 1782864000-60*i, i%50)
		want = append(want, reading(collector.Millis(-60000*i), values{collector.Ambient: float64(i % 50)}))
		again = append(again, refusal{collector.Duplicate, 2*i + 1, "ambient"})
	}
	payload.WriteString("]")
	slices.Reverse(want)
	slices.Reverse(again)
	got, refusals := NewDecoder(DecoderOptions{}).Decode(nil, received, topic, []byte(payload.String()))
	requireReadings(t, got, want...)
	requireRefusals(t, refusals, again...)
}

// TestDstIsKept: readings of messages before must stay as they are.
func TestDstIsKept(t *testing.T) {
	d := NewDecoder(DecoderOptions{})
	dst, _ := d.Decode(nil, received, topic, []byte(example))
	dst, refusals := d.Decode(dst, received, strings.Replace(topic, "0417", "0418", 1), []byte(example))
	if len(dst) != 2 || dst[0].Machine != "cab-0417" || dst[1].Machine != "cab-0418" || dst[0].Has != dst[1].Has || len(refusals) != 0 {
		t.Errorf("%+v, refused %v", dst, refusals)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(topic, []byte(example))
	f.Add(topic, []byte(ten))
	f.Add(topic, []byte(`[{"bt":1782864000000,"n":"cabinet_air","v":3},{"n":"suction","t":-60000,"u":"hPa","v":4},{"n":"x","vs":"y"}]`))
	f.Add("cabinets/oakmill/cab-0417/status", []byte("offline"))
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		d := NewDecoder(DecoderOptions{})
		got, refusals := d.Decode(nil, received, topic, payload)
		if len(got) == 0 && len(refusals) == 0 && len(payload) > 0 && payload[0] != '[' && payload[0]&0xe0 != 0x80 && payload[0] > ' ' {
			t.Errorf("%q %q vanished", topic, payload)
		}
		for i, r := range got {
			if !ValidID(r.Machine) || !ValidID(r.Site) || r.Received != received || i > 0 && got[i-1].At >= r.At {
				t.Fatalf("%q %q: reading %d of %+v", topic, payload, i, got)
			}
			for c := range r.Has.All {
				if info := c.Info(); !(r.Value[c] >= info.Min && r.Value[c] <= info.Max) {
					t.Errorf("%v is %v", c, r.Value[c])
				}
			}
		}
		for _, r := range refusals {
			if r.Reason == collector.NoReason || r.Error() == "" {
				t.Errorf("%+v", r)
			}
		}
	})
}

func ExampleDecoder_Decode() {
	d := NewDecoder(DecoderOptions{})
	readings, refusals := d.Decode(nil, received, topic,
		[]byte(`[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","u":"Cel","v":3.4},{"n":"coil_out","u":"Cel","v":-127}]`))
	for _, r := range readings {
		air, _ := r.Celsius(collector.CabinetAir)
		fmt.Printf("%s at %s: %v °C\n", r.Machine, r.At.Time().Format("15:04"), air)
	}
	for _, r := range refusals {
		fmt.Printf("%s: %v\n", r.Reason, r)
	}
	// Output:
	// cab-0417 at 00:00: 3.4 °C
	// impossible: record 1 ("coil_out"): -127 Cel is outside -70 … 110 Cel, what a cabinet can be; look at the probe
}
