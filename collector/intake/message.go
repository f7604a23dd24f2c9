package intake

import "coilward/collector"

// Message is one MQTT message as a client or the embedded broker received it.
type Message struct {
	Topic    string
	Payload  []byte           // the receiver's from now on; nobody else writes to it
	Received collector.Millis // pipeline time

	// Ack says that the message is safe, on disk or refused for good: only then
	// is it acknowledged to whoever sent it. It may be called late, from any
	// goroutine and more than once; a message whose Ack is never called comes
	// again after a reconnect. It is never nil.
	Ack func()
}

// Handler takes messages from whatever receives them. It may block, which
// slows the sender down; it must not wait for its own Ack, since that may
// never come when the connection or the process ends first.
type Handler func(Message)
