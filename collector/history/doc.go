// Package history keeps every admitted reading, exactly as it was admitted, on
// the disk of the process.
//
// # What is promised
//
// When Append returns nil its readings are on disk and survive the loss of the
// process and of power. They come back bit for bit. Each has a sequence number,
// consecutive from 1, in the order of arrival; a replay in that order is what
// the models were fed.
//
// With age, see Options.RetainDays, readings become summaries: of each quarter
// of an hour and channel the count, the least, the greatest and the mean. Until
// then, and at every moment while it happens, a reading is in one of the two
// forms and never in both; Read yields both. What is too old from the start, as
// in a backfill, goes into summaries at once, with AppendOld.
//
// # On disk
//
// Readings are filed by when they were received, so nothing written is ever
// changed by what comes late. A directory holds
//
//	log/0000000000000001.log   segments of the log; the name is the sequence
//	                           number, in hex, of the first reading in it
//	blocks/                    a pebble database, written when an hour is over
//
// A segment is the eight bytes "coilhis1", then records:
//
//	length  uint32, little endian, of the payload; 0 is the end
//	crc     uint32, CRC-32C of the payload
//	payload sequence number of the first reading (uvarint), how many
//	        readings there are (uvarint), frames
//
// One call of Append, or several that met, is one record and one fdatasync. A
// record that is cut short ends its segment. What the next segment's name
// claims is not read from the one before: after a failed write, a new segment
// is begun. Segments are deleted once their readings are in blocks.
//
// The keys of the database, numbers big endian:
//
//	'b' day machine 0 hour first   a block: what one machine sent that was
//	                               received in one hour; day and hour are counts
//	                               since the epoch (uint32), first is the
//	                               sequence number of the first frame (uint64)
//	'l' day machine 0 hour first   no value: a block in which there are readings
//	                               measured on this day, though it is filed far
//	                               from there (backfill, odd clocks)
//	's' first                      a set of blocks written together: last
//	                               sequence number (uint64), first and last day
//	                               (uint32), and how many of its readings are in
//	                               summaries and in no block (uint64, if any)
//	'm' machine                    what there is of a machine, as a Span
//	'f'                            all up to this sequence number is in blocks
//	'q' day machine 0              summaries of a machine; the day is that of the
//	                               measurement
//	'n' machine                    what there is of summaries of a machine, as a
//	                               Span
//	't'                            how many readings are in summaries (uvarint)
//	'k'                            readings received before this day (uint32) are
//	                               in summaries, or on the way
//
// A block is a version byte (1), the CRC-32C of what follows, then as uvarints
// the last sequence number and the count of frames, as varints the least and the
// greatest At, then frames.
//
// # Summaries
//
// A day of summaries is a version byte (1), the CRC-32C of what follows, how many
// readings are in it, then the summaries in order, each as what changed from the
// one before:
//
//	flags   1 site follows · 2 number of readings · 4 channels · 8 slots
//	        16 statuses follow · 32 channels beside the table follow
//	step    quarters of an hour that are left out
//	site, readings, channels   like those of a frame
//	slots   in which five seconds there are readings: how many of the 180 differ,
//	        then the gaps between those. What comes again is known by it
//	online, offline   how many such statuses
//	figures of each channel: a byte with the decimals (7: raw bits), 8 another
//	        count than readings follows, 16 another least, 32 a greatest that is
//	        not the least; the change of the least, zigzag; the greatest less the
//	        least; the sum less count times the least, zigzag. Or raw: least,
//	        greatest, sum
//	beside the table   count, then name, unit and figures of each
//
// The sum of decimals is exact, so summaries do not depend on the order in which
// readings come together.
//
// # Frames
//
// A frame is what changed from the frame before, starting from nothing; in a
// block, from a frame that had the machine of the key.
//
//	flags   1 machine and site follow · 2 channels changed · 4 forms given
//	        8 status · 16 extra values · 32 At took the same step as before
//	        64 the sequence number took another step than before
//	machine, site   as length and bytes
//	step of the sequence number, step of At   change of the step, zigzag
//	lag     change of Received − At, zigzag
//	channels   exclusive or with the set before
//	status  a byte
//	forms   set of the channels whose form is new, then a byte each: 1 + e for
//	        a decimal number of 10^-e, 255 for raw bits
//	changed set over the channels the reading has: those whose value differs
//	values  decimals as the zigzag difference of their integers; raw bits as
//	        the exclusive or, bytes reversed. A new form starts from 0
//	extra   count, then name, unit, text and eight bytes of value each
//
// All numbers are uvarints where nothing else is said. A decimal is used only
// where it gives back the very same bits.
package history
