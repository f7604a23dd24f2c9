package notify

import (
	"context"

	"coilward/alerts/ledger"
)

// Publisher publishes over MQTT. It returns once the broker has acknowledged.
type Publisher interface {
	Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error
}

// MQTT publishes messages as the webhook's JSON, QoS 1, not retained; a contact's
// address is the topic.
type MQTT struct{ Publisher Publisher }

// Send publishes the message.
func (q MQTT) Send(ctx context.Context, m ledger.Message) error {
	b, err := hookOf(m)
	if err != nil {
		return &Failure{Cause: err, Permanent: true}
	}
	// MQTT has no idempotency of its own: the key is in the payload.
	if err := q.Publisher.Publish(ctx, m.To, 1, false, b); err != nil {
		return &Failure{Cause: err, Unsure: true}
	}
	return nil
}
