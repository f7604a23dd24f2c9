package detect

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"reflect"
	"unsafe"
)

// ErrLayout says that a stored model was written by a program whose model
// looks otherwise. The model must be built again from the history.
var ErrLayout = errors.New("stored model has another layout; rebuild it from the history")

// meaning is the version of what the fields of a state stand for. It goes up when
// one is used otherwise than before while its name, type and place stay.
const meaning = 2

// layout identifies the shape of a stored state: every field's name, type and
// place, the byte order, and what the fields mean. Two programs with the same layout may read each
// other's states; all others rebuild theirs from the stored readings, which is
// always possible and never wrong.
var layout = func() uint64 {
	h := fnv.New64a()
	describeType(h.Write, reflect.TypeFor[state]())
	one := uint16(1)
	h.Write([]byte{*(*byte)(unsafe.Pointer(&one)), meaning})
	return h.Sum64()
}()

// describeType writes a type's shape. It panics on anything that holds a
// pointer: a state must be plain memory.
func describeType(write func([]byte) (int, error), t reflect.Type) {
	fmt.Fprintf(writer(write), "%s %s %d;", t.String(), t.Kind(), t.Size())
	switch t.Kind() {
	case reflect.Struct:
		for f := range t.NumField() {
			x := t.Field(f)
			fmt.Fprintf(writer(write), "%s@%d:", x.Name, x.Offset)
			describeType(write, x.Type)
		}
	case reflect.Array:
		describeType(write, t.Elem())
	case reflect.Bool, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64, reflect.Int,
		reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64, reflect.Float32, reflect.Float64:
	default:
		panic("model state holds a " + t.String())
	}
}

type writer func([]byte) (int, error)

func (w writer) Write(b []byte) (int, error) { return w(b) }

func (m *Machine) memory() []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(&m.s)), unsafe.Sizeof(m.s))
}

// holes are the bytes of a state that are no field's, from and to. What stands there
// is chance; two states are the same without them.
var holes = findHoles(nil, 0, reflect.TypeFor[state]())

func findHoles(found [][2]uintptr, at uintptr, t reflect.Type) [][2]uintptr {
	hole := func(from, to uintptr) {
		if from < to {
			found = append(found, [2]uintptr{at + from, at + to})
		}
	}
	switch t.Kind() {
	case reflect.Struct:
		end := uintptr(0)
		for i := range t.NumField() {
			f := t.Field(i)
			hole(end, f.Offset)
			found = findHoles(found, at+f.Offset, f.Type)
			end = f.Offset + f.Type.Size()
		}
		hole(end, t.Size())
	case reflect.Array:
		for i := range uintptr(t.Len()) {
			found = findHoles(found, at+i*t.Elem().Size(), t.Elem())
		}
	}
	return found
}

// AppendBinary appends the model's state.
func (m *Machine) AppendBinary(b []byte) ([]byte, error) {
	b = binary.LittleEndian.AppendUint64(b, layout)
	from := len(b)
	b = append(b, m.memory()...)
	for _, h := range holes {
		clear(b[from:][h[0]:h[1]])
	}
	return b, nil
}

// UnmarshalBinary takes over a state written by AppendBinary. It returns
// ErrLayout where the state is of another program's shape; the model is then
// as it was.
func (m *Machine) UnmarshalBinary(b []byte) error {
	if !Readable(b) {
		return ErrLayout
	}
	copy(m.memory(), b[8:])
	m.s.Track.Describe(m.spec) // as it is described now, not as it was when the state was kept
	m.prior = m.lib.priorOf(m.s.Kinds, m.spec)
	return nil
}

// Readable reports whether a stored state is of this program's shape.
func Readable(b []byte) bool {
	return len(b) == 8+StateBytes && binary.LittleEndian.Uint64(b) == layout
}

// StateBytes is the size of a machine's state.
const StateBytes = int(unsafe.Sizeof(state{}))
