// Package senml reads and writes Sensor Measurement Lists, RFC 8428, in JSON
// and in CBOR, with the units of RFC 8428 and RFC 8798.
//
// Reading has two steps. Decoder.Decode turns bytes into records as they were
// sent; a document that is not JSON or CBOR is one error with its offset.
// Decoder.Resolve applies the base fields and gives every record its full
// name, its unit and an absolute time. A record that breaks a rule carries its
// Problem and the ones beside it stay good:
//
//	{"bn":"cab-0417/","bt":1782864000,"n":"coil_out","u":"Cel","v":-7.9}
//	{"n":"ambient","u":"Cel","v":"warm"}          Problem: WrongType in "v"
//	{"n":"door","vb":false}                       good, named cab-0417/door
//
// Where the RFC leaves room:
//
//   - A record of base fields only (as in the example of RFC 8428, 5.1.7) sets
//     them and is no measurement.
//   - A record with regular fields needs exactly one of v, vs, vb, vd, or s, in
//     the record itself; a bv or bs before it does not stand in for them.
//   - When a base field cannot be read, the records that depend on it are
//     refused until it is replaced: a value at a wrong time is worse than none.
//   - Labels twice in one record are a problem of that record.
//   - NaN and the infinities, which some writers put where a number belongs
//     though JSON has no word for them, are a problem of their record rather
//     than of the document.
//   - bver may be 10 or less, or 26: the version that RFC 9100 gives to
//     documents which use the secondary units of RFC 8798.
//   - Records stay in the order they were sent; Resolve does not sort.
//
// A decoder reuses its memory: records hold slices of the payload and of the
// decoder, valid until its next Decode and while the payload is unchanged. The
// common form is decoded without allocation.
package senml
