package detect

import (
	"slices"
	"testing"
	"unsafe"

	"coilward/collector/fleet"
)

// What stands between the fields of a state is chance, and is not written.
func TestStoredStateHasNoChance(t *testing.T) {
	if len(holes) == 0 {
		t.Skip("the fields of a state leave nothing between them")
	}
	m := NewMachine(&fleet.Machine{ID: "cab-1", Site: "site-1"}, NewLibrary())
	want, err := m.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	memory := unsafe.Slice((*byte)(unsafe.Pointer(&m.s)), unsafe.Sizeof(m.s))
	for _, h := range holes {
		for i := h[0]; i < h[1]; i++ {
			memory[i] = 0xa5
		}
	}
	if got, _ := m.AppendBinary(nil); !slices.Equal(got, want) {
		t.Error("the stored state tells what stands in the holes")
	}
	n := NewMachine(&fleet.Machine{ID: "cab-1", Site: "site-1"}, NewLibrary())
	if err := n.UnmarshalBinary(want); err != nil {
		t.Fatal(err)
	}
	if n.s != m.s {
		t.Error("what is read back is not what was stored")
	}
}
