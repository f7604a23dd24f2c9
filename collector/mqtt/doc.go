// Package mqtt is coilward's client to an MQTT 3.1.1 broker that somebody
// else runs.
//
// The session is persistent and subscriptions have QoS 1: while coilward is
// away the broker keeps what comes, as far as its own settings let it. A
// message is acknowledged only when its Ack is called, which the history does
// once it is on disk; what was not acknowledged when a connection ends comes
// again on the next. So a message may come twice, and is never lost between
// the broker and the disk.
//
// Acknowledging never waits for the network, and a handler that is slow stalls
// nothing until Options.Queue messages wait for it; then the connection is no
// longer read, the broker holds the messages back, and if that lasts beyond
// keep_alive and ping_timeout the connection is made anew.
package mqtt
