package history

import "encoding/binary"

func zigzag(n int64) uint64   { return uint64(n)<<1 ^ uint64(n>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func appendZigzag(dst []byte, n int64) []byte { return binary.AppendUvarint(dst, zigzag(n)) }

func appendString(dst []byte, s string) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(s))), s...)
}

// input takes values from the front of p; bad says that p was too short.
type input struct {
	p   []byte
	bad bool
}

func (in *input) take(n uint64) []byte {
	if n > uint64(len(in.p)) {
		in.p, in.bad = nil, true
		return nil
	}
	b := in.p[:n]
	in.p = in.p[n:]
	return b
}

func (in *input) byte() byte {
	if len(in.p) == 0 {
		in.bad = true
		return 0
	}
	b := in.p[0]
	in.p = in.p[1:]
	return b
}

func (in *input) uvarint() uint64 {
	if len(in.p) > 0 && in.p[0] < 0x80 {
		b := in.p[0]
		in.p = in.p[1:]
		return uint64(b)
	}
	u, n := binary.Uvarint(in.p)
	if n <= 0 {
		in.p, in.bad = nil, true
		return 0
	}
	in.p = in.p[n:]
	return u
}

func (in *input) zigzag() int64 { return unzigzag(in.uvarint()) }

func (in *input) uint64() uint64 {
	if b := in.take(8); b != nil {
		return binary.LittleEndian.Uint64(b)
	}
	return 0
}

// string returns the next string; before is given back, rather than a copy,
// when it is the same.
func (in *input) string(before string) string {
	b := in.take(in.uvarint())
	if string(b) == before {
		return before
	}
	return string(b)
}
