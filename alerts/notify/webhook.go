package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptrace"
	"strconv"
	"sync/atomic"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// Headers of a webhook's request. The signature is the hex HMAC-SHA256, under the
// shared secret, of the time, a full stop and the body.
const (
	HeaderKey       = "Coilward-Idempotency-Key"
	HeaderTime      = "Coilward-Time" // Unix seconds of this attempt
	HeaderSignature = "Coilward-Signature"
)

// WebhookOptions say how webhooks are signed.
type WebhookOptions struct {
	Secret  Secret
	Timeout time.Duration
	Client  *http.Client     // nil: one of its own that follows no redirects
	Now     func() time.Time // nil: time.Now
}

// Webhook posts messages as signed JSON. Use [NewWebhook].
type Webhook struct{ o WebhookOptions }

// NewWebhook checks the options.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	if len(o.Secret) < 16 {
		return nil, errors.New("webhook: the secret needs 16 characters or more")
	}
	if o.Timeout <= 0 {
		o.Timeout = 15 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Client == nil {
		o.Client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	return &Webhook{o}, nil
}

// Sign returns the signature header of a body sent at a time, for receivers too.
func Sign(secret Secret, unix string, body []byte) string {
	m := hmac.New(sha256.New, []byte(secret))
	m.Write([]byte(unix + "."))
	m.Write(body)
	return "sha256=" + hex.EncodeToString(m.Sum(nil))
}

// hook is the body of a webhook.
type hook struct {
	Key      string          `json:"key"`
	Again    bool            `json:"maybe_sent_before,omitempty"`
	Person   string          `json:"person"`
	Priority alerts.Priority `json:"priority"`
	Subject  string          `json:"subject"`
	Text     string          `json:"text"`
	Made     time.Time       `json:"made"`
	Detail   json.RawMessage `json:"detail,omitempty"`
}

func hookOf(m ledger.Message) ([]byte, error) {
	return json.Marshal(hook{m.Key, m.Unsure, m.Person, m.Priority, m.Subject, m.Text, m.Made.UTC(), m.Body})
}

// Send posts the message. Any 2xx takes it; 408, 429 and 5xx are tried again,
// every other answer is final.
func (w *Webhook) Send(ctx context.Context, m ledger.Message) error {
	ctx, cancel := context.WithTimeout(ctx, w.o.Timeout)
	defer cancel()
	body, err := hookOf(m)
	if err != nil {
		return &Failure{Cause: err, Permanent: true}
	}
	var wrote atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{WroteHeaders: func() { wrote.Store(true) }})
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, m.To, bytes.NewReader(body))
	if err != nil {
		return &Failure{Cause: err, Permanent: true}
	}
	unix := strconv.FormatInt(w.o.Now().Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "coilward")
	req.Header.Set(HeaderKey, m.Key)
	req.Header.Set(HeaderTime, unix)
	req.Header.Set(HeaderSignature, Sign(w.o.Secret, unix, body))
	resp, err := w.o.Client.Do(req)
	if err != nil {
		return &Failure{Cause: err, Unsure: wrote.Load()}
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10)) // so that the connection is used again
	if resp.StatusCode/100 == 2 {
		return nil
	}
	f := &Failure{Cause: fmt.Errorf("webhook answered %s", resp.Status)}
	switch c := resp.StatusCode; {
	case c == http.StatusRequestTimeout, c == http.StatusTooManyRequests, c >= 500:
		if s, err := strconv.Atoi(resp.Header.Get("Retry-After")); err == nil && s > 0 {
			f.RetryAfter = min(time.Duration(s)*time.Second, time.Hour)
		}
	default:
		f.Permanent = true
	}
	return f
}
