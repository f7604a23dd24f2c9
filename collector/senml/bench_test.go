package senml

import "testing"

// tenRecords is a pack of ten records as a cabinet sends it.
const tenRecords = `[{"bn":"cab-0417/","bt":1782864000,"n":"cabinet_air","u":"Cel","v":3.4},` +
	`{"n":"coil_out","u":"Cel","v":-7.9},{"n":"compressor_current","u":"A","v":2.95},` +
	`{"n":"ambient","u":"Cel","v":24.1},{"n":"door","vb":false},{"n":"supply_air","u":"Cel","v":0.3},` +
	`{"n":"coil_in","u":"Cel","v":-8.8},{"n":"condenser","u":"Cel","v":42.5},` +
	`{"n":"evap_fan_current","u":"A","v":0.14},{"n":"mains_voltage","u":"V","v":115.2}]`

func benchmarkDecode(b *testing.B, payload []byte) {
	d := NewDecoder(Options{})
	b.SetBytes(int64(len(payload)))
	b.ReportAllocs()
	for b.Loop() {
		records, err := d.Decode(payload)
		if err != nil {
			b.Fatal(err)
		}
		if resolved, err := d.Resolve(records, now); err != nil || len(resolved) != 10 {
			b.Fatal(len(resolved), err)
		}
	}
}

func BenchmarkJSON(b *testing.B) { benchmarkDecode(b, []byte(tenRecords)) }

func BenchmarkCBOR(b *testing.B) {
	records, err := NewDecoder(Options{}).Decode([]byte(tenRecords))
	if err != nil {
		b.Fatal(err)
	}
	payload, err := AppendCBOR(nil, records)
	if err != nil {
		b.Fatal(err)
	}
	benchmarkDecode(b, payload)
}

func TestDecodeAllocatesNothing(t *testing.T) {
	d := NewDecoder(Options{})
	payload := []byte(tenRecords)
	allocs := testing.AllocsPerRun(100, func() {
		records, _ := d.Decode(payload)
		_, _ = d.Resolve(records, now)
	})
	if allocs != 0 {
		t.Errorf("%v allocations for a pack, want none", allocs)
	}
}
