package diagnose

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
)

// Fingerprint names what the table says: two tables with the same one judge every
// reading alike.
func (t *Table) Fingerprint() string {
	h := sha256.New()
	floats := func(x []float32) {
		_ = binary.Write(h, binary.LittleEndian, uint32(len(x))) // a hash does not fail
		_ = binary.Write(h, binary.LittleEndian, x)
	}
	floats(t.bias[:])
	for i := range t.knots {
		floats(t.knots[i])
		floats(t.weight[i])
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}
