// Package broker is the embedded MQTT broker, so that one process is enough.
// It is a front end: what machines send goes to the handler, and the PUBACK
// leaves only when the handler has called Ack, that is, once the data is on
// disk. If Ack does not come in time, or the process ends first, no PUBACK is
// sent and the connection is closed, so that the machine sends again.
//
// Readings are not passed on to other subscribers. Status messages are, and
// are kept when retained; they are in memory only and come back after a
// restart as the machines report again. A last will reaches the handler like
// a status message, except where the broker itself ended the connection (a
// session taken over, a stop): then the machine is not gone.
//
// Passing on to subscribers is by best effort: more than 32 messages waiting
// for one subscriber are dropped, and a client that publishes as well as
// subscribes may miss some. Nothing of that touches what reaches the handler.
//
// What a machine may not publish is acknowledged and dropped, which MQTT 3.1.1
// section 3.3.5 allows, and counted: closing the connection would hold up the
// good readings behind it.
package broker
