package shard

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"coilward/collector"
)

func TestSnapshotOnDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "models.snapshot")
	if s, err := Read(path); s != nil || err != nil {
		t.Fatalf("no file: %v %v", s, err)
	}
	want := &Snapshot{At: 1782864000000, Seq: 77, Again: 70, Listening: 1782863990000, Machines: []Saved{
		{Site: "oakmill", ID: "cab-0417", Last: -5, HasLast: true, Model: []byte{1, 2, 3}},
		{Site: "oakmill", ID: "cab-0418", Model: []byte{}},
	}, Beside: []byte("queue")}
	if err := want.Write(path); err != nil {
		t.Fatal(err)
	}
	got, err := Read(path)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Fatalf("%+v %v, want %+v", got, err, want)
	}

	// Whatever is damaged or cut off is refused, not believed.
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range whole {
		damaged := append([]byte(nil), whole...)
		damaged[i] ^= 0x10
		if new(Snapshot).UnmarshalBinary(damaged) == nil {
			t.Errorf("byte %d changed: not noticed", i)
		}
		if new(Snapshot).UnmarshalBinary(whole[:i]) == nil {
			t.Errorf("cut off at %d: not noticed", i)
		}
	}
}

func TestFloor(t *testing.T) {
	for at, want := range map[int64]int64{0: 0, 9_999: 0, 10_000: 10_000, -1: -10_000, -10_000: -10_000} {
		if got := Floor(collector.Millis(at)); got != collector.Millis(want) {
			t.Errorf("Floor(%d) is %d, want %d", at, got, want)
		}
	}
}
