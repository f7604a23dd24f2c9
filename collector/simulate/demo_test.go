package simulate

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"coilward/detect/fault"
)

// demo is the demonstration's fleet as it begins, two hours before its live part.
func demo(t *testing.T, seed uint64) (*Fleet, time.Duration) {
	t.Helper()
	const warm = 2 * time.Hour
	f, err := NewDemo(seed, time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), warm)
	if err != nil {
		t.Fatal(err)
	}
	return f, warm
}

// hurtAt counts the machines with a fault at a time of the live part.
func hurtAt(f *Fleet, s float64) int {
	n := 0
	for _, m := range f.Machines {
		for i := range m.Episodes {
			if ep := &m.Episodes[i]; ep.Onset <= s && s < ep.End {
				n++
				break
			}
		}
	}
	return n
}

// Whoever starts the demonstration finds trouble at once, and a board that can be read
// for as long as it runs, even where nobody ever repairs anything.
func TestDemoHasTroubleAndNotTooMuch(t *testing.T) {
	f, warm := demo(t, 1)
	if n := hurtAt(f, warm.Seconds()); n < 5 || n > 10 {
		t.Errorf("%d machines have a fault when it begins, want 5 to 10", n)
	}
	total, hours := 0, 0
	for h := 26.0; h < DemoDays*24-24; h++ { // hours of the part that chance draws
		n := hurtAt(f, warm.Seconds()+3600*h)
		if n < 1 || n > len(f.Machines)*6/10 {
			t.Errorf("%d machines of %d have a fault after %.0f h", n, len(f.Machines), h)
		}
		total, hours = total+n, hours+1
	}
	if mean := float64(total) / float64(hours); mean < 5 || mean > 15 {
		t.Errorf("%.1f machines have a fault on average, want 5 to 15", mean)
	}
	// One after the other, of every sort.
	sorts := map[fault.Fault]bool{}
	for _, m := range f.Machines {
		last := math.Inf(-1)
		for i := range m.Episodes {
			ep := &m.Episodes[i]
			sorts[ep.Fault] = true
			if ep.Mode == "gateway" {
				continue // takes those of its site along, whatever else they have
			}
			if ep.Onset < last {
				t.Errorf("%s has a fault before the one before is over", m.ID)
			}
			last = ep.End
		}
	}
	for k := fault.Well + 1; k <= fault.Silent; k++ {
		if !sorts[k] {
			t.Errorf("no machine ever has %s", k)
		}
	}
}

func TestWhatIsRepairedIsWell(t *testing.T) {
	f, warm := demo(t, 1)
	f.Advance(warm)
	const stuck, iced = "cab-2113", "cab-2594" // of days.yaml
	if got := f.Found(stuck); len(got) != 1 || got[0] != fault.EvaporatorFanStopped {
		t.Fatalf("whoever opens %s finds %v", stuck, got)
	}
	m := f.byID(stuck)
	if m.effect.EvapFanStopped != true {
		t.Fatal("its fan runs")
	}
	f.Repair(stuck, fault.CoilIced) // another's fault: nothing changes
	if f.Advance(time.Minute); !m.effect.EvapFanStopped {
		t.Fatal("its fan runs, though nobody repaired it")
	}
	before := f.Product(iced)
	f.Open(stuck, 10*time.Minute)
	f.Repair(stuck, fault.EvaporatorFanStopped)
	if f.Advance(5 * time.Minute); m.effect.EvapFanStopped || m.world.Door < 0.9 || len(f.Found(stuck)) != 0 {
		t.Errorf("after the repair: fan stopped %v, door open %.1f, found %v", m.effect.EvapFanStopped, m.world.Door, f.Found(stuck))
	}
	if f.Advance(10 * time.Minute); m.world.Door > 0.9 {
		t.Error("its door stays open")
	}
	if len(f.Found(iced)) != 1 || math.IsNaN(float64(before)) {
		t.Errorf("the repair of one machine changed another: %v, product %v", f.Found(iced), before)
	}
	if !math.IsNaN(float64(f.Product("cab-0000"))) || f.Found("cab-0000") != nil {
		t.Error("a machine that is not there has a product or a fault")
	}
}

func TestPackedReadingsAreAllThere(t *testing.T) {
	f, _ := demo(t, 1)
	count := func() (messages, instants int) {
		for _, m := range f.Advance(40 * time.Minute) {
			if m.Status {
				continue
			}
			messages++
			instants += instantsIn(t, m.Payload)
		}
		return messages, instants
	}
	one, n1 := count()
	f.Pack(4)
	four, n4 := count()
	if one != n1 || float64(four) > 0.35*float64(one) {
		t.Errorf("%d messages of %d instants, then packed by four %d of %d", one, n1, four, n4)
	}
	if least := n1 * 85 / 100; n4 < least { // some wait for their pack, some links lose one
		t.Errorf("packed, %d of %d instants came, want %d", n4, n1, least)
	}
}

// instantsIn counts the times in a pack.
func instantsIn(t *testing.T, pack []byte) int {
	t.Helper()
	var records []struct {
		BT float64 `json:"bt"`
		T  float64 `json:"t"`
	}
	if err := json.Unmarshal(pack, &records); err != nil {
		t.Fatalf("%v: %s", err, pack)
	}
	base, seen := 0.0, map[float64]bool{}
	for _, r := range records {
		if r.BT != 0 {
			base = r.BT
		}
		seen[base+r.T] = true
	}
	return len(seen)
}
