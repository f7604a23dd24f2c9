package broker

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math"
	"net"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
)

// Broker is the embedded broker.
type Broker struct {
	o           Options
	metrics     *metrics
	server      *mochi.Server
	fronts      []*front
	credentials atomic.Pointer[Credentials] // nil: anyone

	replaced sync.Map // *mochi.Client whose session another connection took over
	oversize oversize

	gate     sync.RWMutex // guards draining; pending only grows while it is held
	draining bool
	closing  sync.Once
	pending  sync.WaitGroup // messages handed on, waiting for their Ack
	stopped  chan struct{}  // closed: nothing waits for an Ack any more
}

// New reads the credentials and opens the listeners, so that a wrong address
// or file stops the start. Nobody is served until Run; Close instead of Run
// gives the addresses back.
func New(o Options) (b *Broker, err error) {
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if o.Handler == nil || o.Now == nil {
		return nil, errors.New("embedded broker: Handler and Now must be set")
	}
	b = &Broker{o: o, metrics: newMetrics(o.Registerer), stopped: make(chan struct{})}
	if o.CredentialsFile != "" {
		if err := b.ReloadCredentials(); err != nil {
			return nil, err
		}
	} else {
		o.Logger.Warn().Msg("the embedded broker lets in anyone on this machine without a password; it listens on loopback only")
	}
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = int64(o.MaxClients)
	c.MaximumPacketSize = uint32(o.MaxPacket)
	c.MaximumClientWritesPending = 32  // a channel of this size a client
	c.MaximumInflight = 1024           // to a subscriber that is slow or away
	c.MaximumMessageExpiryInterval = 0 // or retained states would vanish after a day
	c.MaximumSessionExpiryInterval = 24 * 3600
	c.TopicAliasMaximum = 16
	b.server = mochi.New(&mochi.Options{
		Capabilities: c,
		Logger:       bridge(o.Logger),
		InlineClient: true, // for Publish
		// Each turn of the $SYS topics stops the world to read memory statistics.
		SysTopicResendInterval: math.MaxInt32,
	})
	if err := b.server.AddHook(&hook{b: b}, nil); err != nil {
		return nil, err
	}
	if err := b.listen(); err != nil {
		b.closeListeners()
		return nil, err
	}
	return b, nil
}

func (b *Broker) listen() error {
	var secure *tls.Config
	if b.o.TLS.CertFile != "" {
		var err error
		if secure, err = b.o.TLS.config(); err != nil {
			return err
		}
	}
	limit := make(chan struct{}, b.o.MaxClients)
	open := func(id, protocol, address string, secure *tls.Config) error {
		if address == "" {
			return nil
		}
		l, err := net.Listen("tcp", address)
		if err != nil {
			return fmt.Errorf("embedded broker: cannot listen on %s: %w; stop what uses the address, or choose another", address, err)
		}
		f := &front{
			id: id, protocol: protocol, listener: l, limit: limit, metrics: b.metrics, maxPacket: b.o.MaxPacket,
			secure: secure, conns: map[net.Conn]struct{}{}, done: make(chan struct{}),
		}
		if id == "websocket" {
			f.web = &http.Server{ReadHeaderTimeout: connectLimit, ErrorLog: quiet()}
		}
		b.fronts = append(b.fronts, f)
		return b.server.AddListener(f)
	}
	webSecure := secure
	if !b.o.WebSocketTLS {
		webSecure = nil
	}
	return errors.Join(
		open("tcp", "tcp", b.o.Listen, nil),
		open("tls", "tls", b.o.ListenTLS, secure),
		open("websocket", "ws", b.o.ListenWebSocket, webSecure))
}

func (b *Broker) closeListeners() {
	for _, f := range b.fronts {
		f.listener.Close()
	}
}

// Addresses are the addresses listened on, by the listener's name: tcp, tls,
// websocket.
func (b *Broker) Addresses() map[string]string {
	addresses := map[string]string{}
	for _, f := range b.fronts {
		addresses[f.id] = f.Address()
	}
	return addresses
}

// ReloadCredentials reads the credentials file anew. If it is wrong, the
// accounts stay as they are. Connections that are open stay open; what they
// may publish goes by the new file at once.
func (b *Broker) ReloadCredentials() error {
	file, err := os.Open(b.o.CredentialsFile)
	if err != nil {
		return fmt.Errorf("embedded broker: cannot read the credentials: %w", err)
	}
	defer file.Close()
	c, err := ReadCredentials(file, b.o.CredentialsFile)
	if err != nil {
		return err
	}
	b.credentials.Store(c)
	return nil
}

// Run serves until ctx is done. It then takes no more messages, lets what has
// been handed on be acknowledged for up to the drain limit, and closes every
// connection; what was not acknowledged is sent again by its machine.
func (b *Broker) Run(ctx context.Context) error {
	if err := b.server.Serve(); err != nil {
		b.closeListeners()
		return fmt.Errorf("embedded broker: %w", err)
	}
	for name, address := range b.Addresses() {
		b.o.Logger.Info().Str("listener", name).Str("address", address).Msg("the embedded broker listens")
	}
	<-ctx.Done()
	b.gate.Lock()
	b.draining = true
	b.gate.Unlock()
	drained := make(chan struct{})
	go func() { b.pending.Wait(); close(drained) }() // ends at the latest with stopped
	limit := time.NewTimer(b.o.DrainLimit)
	defer limit.Stop()
	select {
	case <-drained:
	case <-limit.C:
	}
	close(b.stopped)
	<-drained
	return b.shut()
}

// Close gives the addresses back where Run was never called; after Run it does
// nothing. It must not be called while Run works.
func (b *Broker) Close() error { return b.shut() }

func (b *Broker) shut() (err error) {
	b.closing.Do(func() {
		err = b.server.Close()
		b.closeListeners() // a listener that never served
	})
	return err
}

// Publish sends a message to the broker's subscribers, as alerts are. It has
// the form of the MQTT client's, so that the sender need not know which it is.
func (b *Broker) Publish(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("embedded broker: publish to %s: %w", topic, err)
	}
	if qos > 1 {
		return fmt.Errorf("embedded broker: publish to %s: QoS %d is not supported; use 0 or 1", topic, qos)
	}
	if err := b.server.Publish(topic, payload, retained, qos); err != nil {
		return fmt.Errorf("embedded broker: publish to %s: %w", topic, err)
	}
	return nil
}

func (t *TLS) config() (*tls.Config, error) {
	pair, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("embedded broker: cannot use tls cert_file with key_file: %w", err)
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}
	if t.ClientCAFile != "" {
		pem, err := os.ReadFile(t.ClientCAFile)
		if err != nil {
			return nil, fmt.Errorf("embedded broker: cannot read tls client_ca_file: %w", err)
		}
		config.ClientCAs = x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("embedded broker: tls client_ca_file %s holds no certificate in PEM form", t.ClientCAFile)
		}
		config.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return config, nil
}
