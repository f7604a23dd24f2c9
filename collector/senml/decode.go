package senml

// Bounds used where the options say nothing.
const (
	DefaultMaxBytes   = 256 << 10
	DefaultMaxRecords = 8192
)

// Options bounds what a decoder takes. Zero means the default.
type Options struct {
	MaxBytes   int // of one payload
	MaxRecords int // of one pack
}

// Decoder decodes packs one after the other into memory it keeps. It is for
// one goroutine.
type Decoder struct {
	maxBytes   int
	maxRecords int
	records    []Record
	resolved   []Resolved
	strings    []byte // strings with escapes undone, decoded data
	names      []byte // resolved names
}

// NewDecoder returns a decoder with the given bounds.
func NewDecoder(o Options) *Decoder {
	if o.MaxBytes <= 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.MaxRecords <= 0 {
		o.MaxRecords = DefaultMaxRecords
	}
	return &Decoder{maxBytes: o.MaxBytes, maxRecords: o.MaxRecords}
}

// Decode reads a pack, CBOR when the first byte is that of a CBOR array
// (0x80 … 0x9f, which no JSON text starts with), else JSON.
//
// The error is a *SyntaxError, or wraps ErrTooLarge. Then there are no records.
// The records are valid until the next call and while payload is unchanged.
func (d *Decoder) Decode(payload []byte) ([]Record, error) {
	if len(payload) > d.maxBytes {
		return nil, ErrTooLarge
	}
	d.records, d.strings = d.records[:0], d.strings[:0]
	var err error
	if len(payload) > 0 && payload[0]&0xe0 == 0x80 {
		err = d.decodeCBOR(payload)
	} else {
		err = d.decodeJSON(payload)
	}
	if err != nil {
		return nil, err
	}
	return d.records, nil
}

// grow adds an empty record and returns it.
func (d *Decoder) grow() (*Record, error) {
	n := len(d.records)
	if n >= d.maxRecords {
		return nil, ErrTooLarge
	}
	if n < cap(d.records) {
		d.records = d.records[:n+1]
		d.records[n] = Record{}
	} else {
		d.records = append(d.records, Record{})
	}
	return &d.records[n], nil
}
