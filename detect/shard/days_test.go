package shard

import (
	"errors"
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
)

// dayOf is a snapshot of one machine at a midnight.
func dayOf(t *testing.T, day int) *Snapshot {
	t.Helper()
	model, err := detect.NewMachine(&fleet.Machine{ID: "cab-0417", Site: "oakmill"}, detect.NewLibrary()).AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	at := collector.MillisOf(time.Date(2026, 1, 1+day, 0, 0, 0, 0, time.UTC))
	return &Snapshot{At: at, Seq: uint64(day), Machines: []Saved{{Site: "oakmill", ID: "cab-0417", Model: model}}, Beside: []byte("{}")}
}

// What is kept of a year is each of the newest days and every third before, and what
// is kept comes back as it was.
func TestDaysAreThinned(t *testing.T) {
	d := Days{Dir: t.TempDir()}
	const newest = 140
	for day := range newest + 1 {
		if err := d.Put(dayOf(t, day)); err != nil {
			t.Fatal(err)
		}
	}
	all, err := d.List()
	if err != nil || len(all) > eachOf+thirdOf/3+1 {
		t.Fatalf("%d are kept: %v", len(all), err)
	}
	// Wherever something begins within the 90 days that are tried, and the day that is
	// replayed before, models are at most two days older.
	for back := 1; back <= 92; back++ {
		to := dayOf(t, newest-back).At
		s, err := d.Newest(to-2*Day, to)
		if err != nil || back < eachOf && s.At != to {
			t.Fatalf("%d days back: %v %v", back, s, err)
		}
		if want := dayOf(t, newest-back-int((to-s.At)/Day)); !reflect.DeepEqual(s, want) {
			t.Fatalf("%d days back: %+v", back, s)
		}
	}
	if _, err := d.Newest(0, dayOf(t, 40).At); !errors.Is(err, ErrNoDay) {
		t.Errorf("what has had its time: %v", err)
	}
	if (Days{}).Due(&Snapshot{At: all[0] + 15*60_000}) || !(Days{}).Due(dayOf(t, 3)) {
		t.Error("what is no midnight is due, or one is not")
	}
}

// What is damaged, of another day or of another program is passed over for one that
// is older, and said where there is none.
func TestDaysThatCannotBeUsed(t *testing.T) {
	d := Days{Dir: t.TempDir()}
	old, day := dayOf(t, 4), dayOf(t, 5)
	for _, s := range []*Snapshot{old, day} {
		if err := d.Put(s); err != nil {
			t.Fatal(err)
		}
	}
	good, err := os.ReadFile(d.File(day.At))
	if err != nil {
		t.Fatal(err)
	}
	other := dayOf(t, 5)
	other.Machines[0].Model = slices.Clone(other.Machines[0].Model)
	other.Machines[0].Model[0] ^= 1 // the layout
	other.At += 10 * Day
	if err := d.Put(other); err != nil {
		t.Fatal(err)
	}
	ofOther, err := os.ReadFile(d.File(other.At))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Newest(other.At, other.At); err == nil || errors.Is(err, ErrNoDay) {
		t.Errorf("another program's: %v", err)
	}
	ofOld, err := os.ReadFile(d.File(old.At))
	if err != nil {
		t.Fatal(err)
	}
	flipped := slices.Clone(good)
	flipped[len(flipped)/2] ^= 0x20
	for name, bytes := range map[string][]byte{"cut": good[:len(good)-7], "empty": nil, "flipped": flipped, "of another day": ofOld, "of another program": ofOther} {
		if err := os.WriteFile(d.File(day.At), bytes, 0o600); err != nil {
			t.Fatal(err)
		}
		if s, err := d.Newest(0, day.At); err != nil || s.At != old.At {
			t.Errorf("%s: %v %v, want the day before", name, s, err)
		}
		if s, err := d.Newest(day.At, day.At); err == nil || errors.Is(err, ErrNoDay) {
			t.Errorf("%s: %v %v", name, s, err)
		}
	}
}
