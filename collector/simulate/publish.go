package simulate

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"
)

// PublisherOptions say where a fleet is published and how fast.
type PublisherOptions struct {
	Fleet       *Fleet
	Broker      string // such as tcp://127.0.0.1:1883
	TLS         *tls.Config
	Credentials func(site, machine string) (user, password string) // nil: none; machine is "" for a site's gateway
	PerSite     bool                                               // one connection a site; else one a machine, with its last will

	WarmUp  time.Duration // played as fast as the broker acknowledges
	Speed   float64       // of the live part, times real time; at least 0.01
	LiveFor time.Duration // simulated time to play live; 0: until the context ends, negative: none

	Clock  func(simulated time.Time) // told after every piece that is acknowledged
	Logger zerolog.Logger
}

// Publisher plays a fleet over MQTT: QoS 1, retained status, last wills.
type Publisher struct {
	o       PublisherOptions
	clients map[string]paho.Client // by machine
	own     []paho.Client
}

// NewPublisher checks the options; nothing is opened yet.
func NewPublisher(o PublisherOptions) (*Publisher, error) {
	var errs []error
	if o.Fleet == nil {
		errs = append(errs, errors.New("publisher: no fleet; give Fleet"))
	}
	if o.Broker == "" {
		errs = append(errs, errors.New("publisher: no broker; give an address such as tcp://127.0.0.1:1883"))
	}
	if o.Speed < 0.01 && o.LiveFor >= 0 {
		errs = append(errs, fmt.Errorf("publisher: speed is %g; give at least 0.01", o.Speed))
	}
	if o.WarmUp < 0 {
		errs = append(errs, fmt.Errorf("publisher: warm-up of %v; give 0 or more", o.WarmUp))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Publisher{o: o, clients: make(map[string]paho.Client)}, nil
}

const (
	publishStep = 10 * time.Minute // simulated, between two waits for the broker in the warm-up
	liveTick    = 250 * time.Millisecond
	liveStep    = time.Minute // simulated, at most at a time in the live part: what is late is made up piece by piece
	ackLimit    = 60 * time.Second
)

// Run connects, plays the warm-up, then the live part, and returns when ctx
// ends (nil), when LiveFor has been played (nil), or when the broker cannot be
// reached or does not acknowledge.
func (p *Publisher) Run(ctx context.Context) error {
	defer p.disconnect()
	if err := p.connect(ctx); err != nil {
		return ending(ctx, err)
	}
	f := p.o.Fleet
	warm := f.Options.Start.Add(p.o.WarmUp)
	for f.Now().Before(warm) {
		if err := p.play(ctx, min(publishStep, warm.Sub(f.Now()))); err != nil {
			return ending(ctx, err)
		}
	}
	p.o.Logger.Info().Time("event_time", f.Now()).Msg("simulated days played, now live")
	if p.o.LiveFor < 0 {
		return nil
	}
	tick := time.NewTicker(liveTick)
	defer tick.Stop()
	began := time.Now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		due := time.Duration(float64(time.Since(began)) * p.o.Speed)
		if p.o.LiveFor > 0 {
			due = min(due, p.o.LiveFor)
		}
		for f.Now().Before(warm.Add(due)) {
			if err := p.play(ctx, min(liveStep, warm.Add(due).Sub(f.Now()))); err != nil {
				return ending(ctx, err)
			}
		}
		if p.o.LiveFor > 0 && due == p.o.LiveFor {
			return nil
		}
	}
}

// ending drops the error that a stop causes.
func ending(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// play simulates d, publishes what was sent and waits for the acknowledgements.
func (p *Publisher) play(ctx context.Context, d time.Duration) error {
	f := p.o.Fleet
	var tokens []paho.Token
	for _, m := range f.Advance(d) {
		c := p.clients[m.Machine]
		tokens = append(tokens, c.Publish(m.Topic, 1, m.Status, m.Payload))
	}
	for _, t := range tokens {
		if err := wait(ctx, t); err != nil {
			return fmt.Errorf("publishing to %s: %w", p.o.Broker, err)
		}
	}
	if p.o.Clock != nil {
		p.o.Clock(f.Now())
	}
	return nil
}

func wait(ctx context.Context, t paho.Token) error {
	limit := time.NewTimer(ackLimit)
	defer limit.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-limit.C:
		return fmt.Errorf("no acknowledgement within %v; is the broker overloaded or its disk full?", ackLimit)
	}
}

func (p *Publisher) connect(ctx context.Context) error {
	bySite := make(map[string]paho.Client)
	for _, m := range p.o.Fleet.Machines {
		if c := bySite[m.Site]; p.o.PerSite && c != nil {
			p.clients[m.ID] = c
			continue
		}
		id, name := "sim-"+m.ID, m.ID
		if p.o.PerSite {
			id, name = "sim-gateway-"+m.Site, ""
		}
		o := paho.NewClientOptions().AddBroker(p.o.Broker).SetClientID(id).SetTLSConfig(p.o.TLS).
			SetConnectTimeout(10 * time.Second).SetKeepAlive(60 * time.Second).SetAutoReconnect(true).SetMaxReconnectInterval(5 * time.Second).
			SetMessageChannelDepth(1000)
		if p.o.Credentials != nil {
			user, password := p.o.Credentials(m.Site, name)
			o.SetUsername(user).SetPassword(password)
		}
		if !p.o.PerSite {
			o.SetWill(m.statusTopic, "offline", 1, true)
		}
		c := paho.NewClient(o)
		if err := wait(ctx, c.Connect()); err != nil {
			return fmt.Errorf("connecting to %s as %s: %w", p.o.Broker, id, err)
		}
		p.own = append(p.own, c)
		p.clients[m.ID], bySite[m.Site] = c, c
	}
	return nil
}

func (p *Publisher) disconnect() {
	for _, c := range p.own {
		c.Disconnect(100)
	}
}
