package intake

import (
	"strings"
	"testing"
	"time"

	"coilward/collector"
)

// example is the pack of the telemetry contract, section 1.
const example = `[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","u":"Cel","v":3.4},
 {"n":"coil_out","u":"Cel","v":-7.9},{"n":"compressor_current","u":"A","v":2.9},
 {"n":"ambient","u":"Cel","v":24.1},{"n":"door","vb":false}]`

const topic = "cabinets/oakmill/cab-0417/readings"

var (
	instant0 = collector.MillisOf(time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)) // 1782864000 s
	received = instant0 + 2500
)

// reading makes the reading of the example's machine at instant0 + after.
func reading(after collector.Millis, values map[collector.Channel]float64) collector.Reading {
	r := collector.Reading{Machine: "cab-0417", Site: "oakmill", At: instant0 + after, Received: received}
	for c, v := range values {
		r.Has = r.Has.With(c)
		r.Value[c] = v
	}
	return r
}

func TestDecodeContractExample(t *testing.T) {
	got, refusals := NewDecoder(DecoderOptions{}).Decode(nil, received, topic, []byte(example))
	want := reading(0, map[collector.Channel]float64{
		collector.CabinetAir: 3.4, collector.CoilOut: -7.9, collector.CompressorCurrent: 2.9,
		collector.Ambient: 24.1, collector.Door: 0,
	})
	if len(refusals) != 0 {
		t.Errorf("refused %v", refusals)
	}
	requireReadings(t, got, want)
}

func requireReadings(t *testing.T, got []collector.Reading, want ...collector.Reading) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d readings %+v, want %d", len(got), got, len(want))
	}
	for i := range want {
		g, w := got[i], want[i]
		if g.Machine != w.Machine || g.Site != w.Site || g.At != w.At || g.Received != w.Received || g.Status != w.Status || g.Has != w.Has {
			t.Errorf("reading %d is %+v, want %+v", i, g, w)
		}
		for c := range w.Has.All {
			if diff := g.Value[c] - w.Value[c]; diff > 1e-9 || diff < -1e-9 {
				t.Errorf("reading %d: %v is %v, want %v", i, c, g.Value[c], w.Value[c])
			}
		}
	}
}

// ten is a pack of ten records, as a cabinet with eleven channels sends it.
const ten = `[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","u":"Cel","v":3.4},` +
	`{"n":"coil_out","u":"Cel","v":-7.9},{"n":"compressor_current","u":"A","v":2.95},` +
	`{"n":"ambient","u":"Cel","v":24.1},{"n":"door","vb":false},{"n":"supply_air","u":"Cel","v":0.3},` +
	`{"n":"coil_in","u":"Cel","v":-8.8},{"n":"condenser","u":"Cel","v":42.5},` +
	`{"n":"evap_fan_current","u":"A","v":0.14},{"n":"mains_voltage","u":"V","v":115.2}]`

func BenchmarkDecode(b *testing.B) {
	d := NewDecoder(DecoderOptions{})
	payload := []byte(ten)
	var dst []collector.Reading
	b.SetBytes(int64(len(payload)))
	b.ReportAllocs()
	for b.Loop() {
		var refusals []Refusal
		dst, refusals = d.Decode(dst[:0], received, topic, payload)
		if len(dst) != 1 || len(refusals) != 0 {
			b.Fatal(dst, refusals)
		}
	}
}

func TestDecodeAllocatesNothing(t *testing.T) {
	d := NewDecoder(DecoderOptions{})
	payload := []byte(ten)
	var dst []collector.Reading
	allocs := testing.AllocsPerRun(100, func() {
		dst, _ = d.Decode(dst[:0], received, topic, payload)
	})
	if allocs != 0 {
		t.Errorf("%v allocations for a message, want none", allocs)
	}
}

func TestDecodeStatus(t *testing.T) {
	d := NewDecoder(DecoderOptions{})
	status := strings.Replace(topic, "readings", "status", 1)
	for payload, want := range map[string]collector.Status{"online": collector.Online, "offline": collector.Offline} {
		got, refusals := d.Decode(nil, received, status, []byte(payload))
		if len(refusals) != 0 {
			t.Errorf("%s: refused %v", payload, refusals)
		}
		requireReadings(t, got, collector.Reading{Machine: "cab-0417", Site: "oakmill", At: received, Received: received, Status: want})
	}
	got, refusals := d.Decode(nil, received, status, []byte("Online"))
	if len(got) != 0 || len(refusals) != 1 || refusals[0].Reason != collector.Malformed {
		t.Errorf("Online: %v, %v", got, refusals)
	}
}
