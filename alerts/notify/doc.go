// Package notify reaches people: the right person, once, in time.
//
// [Team.Tell] makes the messages a change of an alert asks for; they are committed
// with the change (alerts/ledger). [Team.Escalate] and [Team.Summary] make those
// that time asks for. [Loop] sends what is due: at least once, each with an
// idempotency key, tried again with back-off, given up in sight of the board. A
// message that may have arrived and is sent again says so.
//
// Nobody is woken for what can wait: low priority is in the morning summary, medium
// waits out the quiet hours, high and critical do not. Messages that come faster
// than anybody can read are folded into one.
package notify
