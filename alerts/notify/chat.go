package notify

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr"

	"coilward/alerts/ledger"
)

// ChatOptions name the chat and SMS services an admin has set up.
type ChatOptions struct {
	// Services by name: the service URL of the notification library. "{to}" in it
	// stands for what follows the colon in a contact, "text:+15550100".
	Services map[string]Secret
	Timeout  time.Duration
}

// Chat sends short messages to chat and SMS services. Use [NewChat].
type Chat struct {
	o    ChatOptions
	busy chan struct{} // bounds the sends that do not come back
}

// maxStuck sends may hang at once; the library cannot be told to stop.
const maxStuck = 4

// NewChat checks that every service's URL is one the library knows.
func NewChat(o ChatOptions) (*Chat, error) {
	if o.Timeout <= 0 {
		o.Timeout = 20 * time.Second
	}
	var bad []error
	for name, u := range o.Services {
		if _, err := shoutrrr.CreateSender(strings.ReplaceAll(string(u), "{to}", "0")); err != nil {
			bad = append(bad, fmt.Errorf("chat service %s: %s", name, scrub(err.Error(), string(u))))
		}
	}
	return &Chat{o: o, busy: make(chan struct{}, maxStuck)}, errors.Join(bad...)
}

// Send sends the message's text to the service that m.To names.
func (c *Chat) Send(ctx context.Context, m ledger.Message) error {
	name, to, _ := strings.Cut(m.To, ":")
	secret, ok := c.o.Services[name]
	if !ok {
		return &Failure{Cause: fmt.Errorf("chat service %q is not set up", name), Permanent: true}
	}
	service := strings.ReplaceAll(string(secret), "{to}", url.PathEscape(to))
	select {
	case c.busy <- struct{}{}:
	default:
		return &Failure{Cause: errors.New("earlier messages to chat services are still under way")}
	}
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	done := make(chan error, 1)
	// The library takes no context. A send that hangs keeps its place in busy
	// until the connection breaks, so no more than maxStuck are ever left.
	go func() {
		done <- shoutrrr.Send(service, again(m))
		<-c.busy
	}()
	select {
	case err := <-done:
		if err != nil {
			return &Failure{Cause: errors.New(scrub(err.Error(), service)), Unsure: true}
		}
		return nil
	case <-ctx.Done():
		return &Failure{Cause: fmt.Errorf("chat service %s: %w", name, ctx.Err()), Unsure: true}
	}
}

// scrub takes what is secret in a service's URL out of a text.
func scrub(text, service string) string {
	text = strings.ReplaceAll(text, service, "***")
	_, rest, ok := strings.Cut(service, "://")
	if !ok {
		return text
	}
	for _, part := range strings.FieldsFunc(rest, func(r rune) bool { return strings.ContainsRune("/:@?&=", r) }) {
		if len(part) >= 6 && part != "{to}" {
			text = strings.ReplaceAll(text, part, "***")
		}
	}
	return text
}
