package notify

import (
	"context"
	"time"

	"coilward/alerts/ledger"
)

// Publisher publishes over MQTT. It returns once the broker has acknowledged.
type Publisher interface {
	Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error
}

// MQTT publishes messages as the webhook's JSON, QoS 1, not retained; a contact's
// address is the topic.
type MQTT struct {
	Publisher Publisher
	Timeout   time.Duration // without a broker an attempt ends after this long; 0: 30 s
}

// Send publishes the message.
func (q MQTT) Send(ctx context.Context, m ledger.Message) error {
	b, err := hookOf(m)
	if err != nil {
		return &Failure{Cause: err, Permanent: true}
	}
	ctx, cancel := context.WithTimeout(ctx, or(q.Timeout, 30*time.Second))
	defer cancel()
	// MQTT has no idempotency of its own: the key is in the payload.
	if err := q.Publisher.Publish(ctx, m.To, 1, false, b); err != nil {
		return &Failure{Cause: err, Unsure: true}
	}
	return nil
}
