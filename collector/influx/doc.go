// Package influx copies the history into InfluxDB, through its v2 interface
// (1.8 has it too: the bucket is then database/policy), and reads it back.
//
// Nothing is buffered besides the history itself: a cursor on disk says how far
// the copy is, so an outage of InfluxDB loses nothing as long as the history
// keeps its days. What it drops before it was copied is counted.
//
// A reading is one point of the measurement "reading", tagged with machine and
// site, at its At in milliseconds. Its fields are the channels by name
// (numbers, booleans being 0 or 1), "received" (milliseconds since the epoch),
// "seq", "status" where there is one, and of unknown channels "extra/NAME",
// "unit/NAME" and "text/NAME" (in which \\, \n and \r stand for a backslash and
// line ends). Sending a point again changes nothing. Of two
// values for the same machine, channel and instant the last is kept; admission
// lets no such two in.
//
// Arrived and Machines are what a trial asks of a history, so past days can be
// tried on the copy, which may reach back further: in the order of arrival, in
// bounded memory. They ask with InfluxQL, and count first: an answer that stops
// short is an error.
package influx
