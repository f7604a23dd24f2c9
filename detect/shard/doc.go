// Package shard owns the machines: each lives in one shard, chosen by a hash of
// its id, and each shard is one goroutine, so that models take no locks.
//
// # Time
//
// Pipeline time comes in two forms, and nothing else moves it: the Received of
// the readings fed, which must not decrease, and ticks on a grid of [Tick].
// Before a machine takes a reading it has been through every tick up to the
// reading's Received; a tick releases what is due from the machine's order
// window and, every minute, lets the model notice silence. What a model says is
// therefore a function of the readings alone: not of how they were batched, of
// the number of shards, or of when the process was started again.
//
// Time in which nobody listened is noted among the readings
// ([collector.Absence]): no machine is called silent for it.
//
// The time between two ticks is an epoch. What all models said in one is given
// out together, ordered by time, machine, finding and sequence, once every shard
// has passed the tick that ends it.
//
// # Recovery
//
// A snapshot holds every model with the sequence number, in the history, of the
// last reading its shard had taken, and is written only once everything said
// until then has been given out. Models come back from it; what the history has
// beyond is fed again, and says again what it said before, which the receiver
// knows by the epoch. What waited in the order window is not in a snapshot: it
// is fed again too.
package shard
