package truth

import (
	"reflect"
	"strings"
	"testing"

	"coilward/detect/fault"
)

func same(t *testing.T, want, got any) {
	t.Helper()
	if !reflect.DeepEqual(want, got) {
		t.Errorf("got %v, want %v", got, want)
	}
}

const sample = `{"set":"x","seed":3,"days":2,"start_s":1780272000,"machines":[{"machine":"m-1","site":"s","set":"basic","channels":["cabinet_air"],
"interval_s":60,"faults":[{"fault":"coil-iced","mode":"frost","onset_s":100,"ended_s":null,"aliases":["door-leak"],"material_s":400,"limit_s":null,
"secondary":[{"fault":"compressor-not-starting","from":"2026-06-01T00:10:00Z","from_s":600}],
"intervals":[["2026-06-01T00:02:00Z","2026-06-01T00:03:00Z"]]}],
"dont_care":[{"faults":"*","reason":"service","from_s":1,"to_s":2},{"faults":["silent"],"reason":"link","from_s":5,"to_s":9}],
"gaps_s":[[10,20]],"innocent":{"restocks":[["2026-06-01T01:00:00Z",8.5,0.2,20]],"cleanings":[],"blips":[["2026-06-01T00:00:10Z",4]],"energy_saver":true},
"hourly":{"room":[21.5]}}]}`

func TestParse(t *testing.T) {
	f, err := Parse([]byte(sample))
	if err != nil {
		t.Fatal(err)
	}
	same(t, 172800.0, f.End())
	m := f.Machines[0]
	same(t, []Event{{3600, 8.5}}, m.Life.Restocks)
	same(t, []Event{{10, 4}}, m.Life.Blips)
	e := m.Episodes[0]
	same(t, fault.CoilIced, e.Fault)
	same(t, []Span{{120, 180}}, e.Intervals)
	same(t, 172800.0, e.End(f.End()))
	same(t, []Secondary{{fault.CompressorNotStarting, 600}}, e.Secondary)
	same(t, true, m.DontCare[0].Holds(fault.DoorOpen, 2))
	same(t, false, m.DontCare[0].Holds(fault.DoorOpen, 2.5))
	same(t, true, m.DontCare[1].Holds(fault.Silent, 5))
	same(t, false, m.DontCare[1].Holds(fault.DoorOpen, 5))
	same(t, 60.0, f.Seconds(f.Millis(60)))
}

func TestParseSaysWhatIsWrong(t *testing.T) {
	for name, doc := range map[string]string{
		"fault":  strings.Replace(sample, `"coil-iced"`, `"coil-melted"`, 1),
		"time":   strings.Replace(sample, `"2026-06-01T01:00:00Z"`, `"yesterday"`, 1),
		"event":  strings.Replace(sample, `["2026-06-01T01:00:00Z",8.5,0.2,20]`, `[]`, 1),
		"length": strings.Replace(sample, `"days":2`, `"days":0`, 1),
		"json":   sample[:100],
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse([]byte(doc))
			if err == nil || !strings.Contains(err.Error(), "truth: ") {
				t.Errorf("error is %v", err)
			}
		})
	}
}
