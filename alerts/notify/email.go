package notify

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// Secret is a value that never appears in logs.
type Secret string

func (Secret) String() string { return "***" }

// GoString hides the value from %#v.
func (Secret) GoString() string { return "***" }

// MarshalText hides the value from JSON and logs.
func (Secret) MarshalText() ([]byte, error) { return []byte("***"), nil }

// EmailOptions say how mail is handed over.
type EmailOptions struct {
	Host     string
	Port     int    // 0: 587, or 465 for "tls"
	Security string // "starttls" (default: refuse without), "tls", "none"
	User     string // "": no authentication
	Password Secret
	From     string // "coilward <alerts@example.org>"
	Timeout  time.Duration
	TLS      *tls.Config // nil: the system's roots
}

// Email sends mail over SMTP. Use [NewEmail].
type Email struct {
	o    EmailOptions
	opts []mail.Option
}

// NewEmail checks the options.
func NewEmail(o EmailOptions) (*Email, error) {
	if o.Host == "" || o.From == "" {
		return nil, errors.New("e-mail: a host and a sender address are needed")
	}
	if err := mail.NewMsg().From(o.From); err != nil {
		return nil, fmt.Errorf("e-mail: sender %q: %w", o.From, err)
	}
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	e := &Email{o: o, opts: []mail.Option{mail.WithTimeout(o.Timeout), mail.WithoutNoop()}}
	port := 587
	switch o.Security {
	case "", "starttls":
		e.opts = append(e.opts, mail.WithTLSPolicy(mail.TLSMandatory))
	case "tls":
		port = 465
		e.opts = append(e.opts, mail.WithTLSPolicy(mail.NoTLS)) // dial has done it
	case "none":
		e.opts = append(e.opts, mail.WithTLSPolicy(mail.NoTLS))
	default:
		return nil, fmt.Errorf("e-mail: security %q is none of starttls, tls, none", o.Security)
	}
	if o.Port != 0 {
		port = o.Port
	}
	e.opts = append(e.opts, mail.WithPort(port))
	if o.TLS != nil {
		e.opts = append(e.opts, mail.WithTLSConfig(o.TLS))
	}
	if o.User != "" {
		auth := mail.SMTPAuthAutoDiscover
		if o.Security == "none" || o.Security == "tls" {
			auth = mail.SMTPAuthPlainNoEnc
		}
		e.opts = append(e.opts, mail.WithSMTPAuth(auth), mail.WithUsername(o.User), mail.WithPassword(string(o.Password)))
	}
	return e, nil
}

func (e *Email) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	if e.o.Security != "tls" {
		return (&net.Dialer{}).DialContext(ctx, network, addr)
	}
	conf := &tls.Config{}
	if e.o.TLS != nil {
		conf = e.o.TLS.Clone()
	}
	if conf.ServerName == "" {
		conf.ServerName = e.o.Host
	}
	c, err := (&tls.Dialer{Config: conf}).DialContext(ctx, network, addr)
	if err != nil {
		return nil, err // not a nil *tls.Conn in an interface
	}
	return c, nil
}

// messageID is the same for the same message, so that a mail store that has it
// already can tell.
func messageID(key, from string) string {
	sum := sha256.Sum256([]byte(key))
	_, domain, ok := strings.Cut(strings.TrimRight(from, ">"), "@")
	if !ok || domain == "" {
		domain = "coilward.invalid"
	}
	return hex.EncodeToString(sum[:16]) + "@" + domain
}

// Send hands the message to the server.
func (e *Email) Send(ctx context.Context, m ledger.Message) error {
	msg := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := errors.Join(msg.From(e.o.From), msg.To(m.To)); err != nil {
		return &Failure{Cause: fmt.Errorf("address %s: %w", m.To, err), Permanent: true}
	}
	msg.Subject(m.Subject)
	msg.SetMessageIDWithValue(messageID(m.Key, e.o.From))
	msg.SetDateWithValue(m.Made)
	msg.SetGenHeader(mail.HeaderXAutoResponseSuppress, "All")
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	if m.Priority >= alerts.High {
		msg.SetImportance(mail.ImportanceHigh)
	}
	msg.SetBodyString(mail.TypeTextPlain, again(m))
	// The library leaves the connection open when encryption or authentication
	// fails, so it is closed here.
	var conn net.Conn
	defer func() {
		if conn != nil {
			conn.Close()
		}
	}()
	dial := func(ctx context.Context, network, addr string) (net.Conn, error) {
		c, err := e.dial(ctx, network, addr)
		conn = c
		return c, err
	}
	client, err := mail.NewClient(e.o.Host, append(slices.Clone(e.opts), mail.WithDialContextFunc(dial))...)
	if err != nil {
		return &Failure{Cause: err, Permanent: true}
	}
	err = client.DialAndSendWithContext(ctx, msg)
	if err == nil || msg.IsDelivered() { // what fails after the server took it is no failure
		return nil
	}
	f := &Failure{Cause: fmt.Errorf("mail server %s: %w", e.o.Host, err)}
	var se *mail.SendError
	if errors.As(err, &se) {
		replied := se.ErrorCode() != 0
		f.Permanent = replied && !se.IsTemp()
		// Without a reply to the data the server may have taken it.
		f.Unsure = !replied && (se.Reason == mail.ErrSMTPDataClose || se.Reason == mail.ErrWriteContent)
	}
	return f
}
