package broker_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/broker"
	"coilward/collector/intake"
)

const patience = 20 * time.Second

func start(t testing.TB, change func(*broker.Options)) (*broker.Broker, func()) {
	t.Helper()
	o := broker.Defaults()
	o.Listen, o.Logger = "127.0.0.1:0", zerolog.Nop()
	o.Now = func() collector.Millis { return 1_782_864_000_000 }
	o.Handler = func(m intake.Message) { m.Ack() }
	change(&o)
	b, err := broker.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	stopped := false
	stop := func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
	t.Cleanup(stop)
	return b, stop
}

// machine is a machine's MQTT client.
func machine(t testing.TB, b *broker.Broker, id string, change func(*paho.ClientOptions)) (paho.Client, error) {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + b.Addresses()["tcp"]).SetClientID(id)
	o.SetCleanSession(false).SetAutoReconnect(false).SetProtocolVersion(4).SetOrderMatters(false)
	if change != nil {
		change(o)
	}
	c := paho.NewClient(o)
	token := c.Connect()
	token.Wait()
	t.Cleanup(func() { c.Disconnect(0) })
	return c, token.Error()
}

func must(t testing.TB) func(paho.Client, error) paho.Client {
	return func(c paho.Client, err error) paho.Client {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
}

func next[T any](t testing.TB, c <-chan T) (v T) {
	t.Helper()
	select {
	case v = <-c:
	case <-time.After(patience):
		t.Fatal("nothing came")
	}
	return v
}

// The PUBACK leaves after Ack and not before; and a message that is never
// acknowledged gets none, but a closed connection and a second chance.
func TestPubackFollowsAck(t *testing.T) {
	messages := make(chan intake.Message, 10)
	b, _ := start(t, func(o *broker.Options) {
		o.Handler = func(m intake.Message) { messages <- m }
		o.AckLimit = 300 * time.Millisecond
	})
	lost := make(chan error, 1)
	c := must(t)(machine(t, b, "cab-1", func(o *paho.ClientOptions) {
		o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	}))
	token := c.Publish("cabinets/oakmill/cab-1/readings", 1, false, "[]")
	m := next(t, messages)
	if m.Topic != "cabinets/oakmill/cab-1/readings" || string(m.Payload) != "[]" || m.Received != 1_782_864_000_000 {
		t.Errorf("got %+v", m)
	}
	select {
	case <-token.Done():
		t.Fatal("acknowledged before Ack")
	default:
	}
	m.Ack()
	m.Ack()
	next(t, token.Done())
	if token.Error() != nil {
		t.Fatal(token.Error())
	}

	token = c.Publish("cabinets/oakmill/cab-1/readings", 1, false, "[1]")
	next(t, messages) // and no Ack
	next(t, lost)
	select {
	case <-token.Done():
		t.Fatal("a message that was never stored has been acknowledged")
	default:
	}
}

func TestStatusAndLastWill(t *testing.T) {
	messages := make(chan intake.Message, 10)
	b, stop := start(t, func(o *broker.Options) {
		o.Handler = func(m intake.Message) { m.Ack(); messages <- m }
	})
	will := func(o *paho.ClientOptions) { o.SetWill("cabinets/oakmill/cab-1/status", "offline", 1, true) }
	dead := newCutter(t, b.Addresses()["tcp"])
	c := must(t)(machine(t, b, "cab-1", func(o *paho.ClientOptions) {
		will(o)
		o.Servers = nil
		o.AddBroker("tcp://" + dead.address())
	}))
	c.Publish("cabinets/oakmill/cab-1/status", 1, true, "online").Wait()
	if m := next(t, messages); string(m.Payload) != "online" {
		t.Fatalf("got %q", m.Payload)
	}
	// A subscriber that comes later is told the retained state.
	retained := make(chan string, 10)
	s := must(t)(machine(t, b, "watcher", nil))
	s.Subscribe("cabinets/#", 1, func(_ paho.Client, m paho.Message) { retained <- string(m.Payload()) }).Wait()
	if got := next(t, retained); got != "online" {
		t.Errorf("retained %q", got)
	}
	dead.cut()
	if m := next(t, messages); m.Topic != "cabinets/oakmill/cab-1/status" || string(m.Payload) != "offline" {
		t.Errorf("last will: got %+v", m)
	}
	if got := next(t, retained); got != "offline" {
		t.Errorf("subscriber got %q", got)
	}

	// A session taken over, and our own stop, are no machine's end.
	must(t)(machine(t, b, "cab-1", will))
	c = must(t)(machine(t, b, "cab-1", will))
	c.Publish("cabinets/oakmill/cab-1/status", 1, true, "online").Wait()
	if m := next(t, messages); string(m.Payload) != "online" {
		t.Errorf("taking over a session sent %q", m.Payload)
	}
	stop()
	select {
	case m := <-messages:
		t.Errorf("our stop sent %q", m.Payload)
	default:
	}
}

func TestCredentialsAndTopics(t *testing.T) {
	hash, err := broker.HashPassword("kelp-73")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "credentials")
	lines := "# accounts\ncab-1 " + hash + " oakmill/cab-1\ngw " + hash + " oakmill\n"
	if err := os.WriteFile(file, []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	messages := make(chan intake.Message, 10)
	registry := prometheus.NewPedanticRegistry()
	b, _ := start(t, func(o *broker.Options) {
		o.CredentialsFile, o.Registerer = file, registry
		o.Handler = func(m intake.Message) { m.Ack(); messages <- m }
	})
	as := func(user, password string) func(*paho.ClientOptions) {
		return func(o *paho.ClientOptions) { o.SetUsername(user).SetPassword(password) }
	}
	for user, password := range map[string]string{"cab-1": "wrong", "nobody": "kelp-73", "": ""} {
		if _, err := machine(t, b, "x"+user, as(user, password)); err == nil {
			t.Errorf("user %q was let in with password %q", user, password)
		}
	}
	c := must(t)(machine(t, b, "cab-1", as("cab-1", "kelp-73")))
	if _, err := machine(t, b, "cab-1", as("gw", "kelp-73")); err == nil {
		t.Error("another account could take over the session")
	}
	if _, err := machine(t, b, "cab-1b", func(o *paho.ClientOptions) {
		as("cab-1", "kelp-73")(o)
		o.SetWill("cabinets/oakmill/cab-2/status", "offline", 1, true)
	}); err == nil {
		t.Error("a last will on another machine's topic was taken")
	}
	// Refused topics are acknowledged, dropped, and do not close the connection.
	for _, topic := range []string{"cabinets/oakmill/cab-10/readings", "cabinets/oakmill/cab-1", "other/oakmill/cab-1/readings", "cabinets/oakmill/cab-1/readings"} {
		token := c.Publish(topic, 1, false, "[]")
		next(t, token.Done())
	}
	if m := next(t, messages); m.Topic != "cabinets/oakmill/cab-1/readings" {
		t.Errorf("handed on %s", m.Topic)
	}
	gw := must(t)(machine(t, b, "gw", as("gw", "kelp-73")))
	gw.Publish("cabinets/oakmill/cab-10/readings", 1, false, "[]").Wait()
	if m := next(t, messages); m.Topic != "cabinets/oakmill/cab-10/readings" {
		t.Errorf("handed on %s", m.Topic)
	}
	sub := c.Subscribe("cabinets/#", 1, nil).(*paho.SubscribeToken)
	sub.Wait()
	if sub.Result()["cabinets/#"] != 0x80 {
		t.Error("a machine may listen to others")
	}
	if problems, err := testutil.GatherAndLint(registry); err != nil || len(problems) > 0 {
		t.Errorf("metrics: %v %v", problems, err)
	}
}

func TestValidateSaysWhatToDo(t *testing.T) {
	for want, change := range map[string]func(*broker.Options){
		"set credentials_file, or listen on 127.0.0.1": func(o *broker.Options) { o.Listen = "0.0.0.0:1883" },
		"listen_websocket \":8080\" can be reached":    func(o *broker.Options) { o.ListenWebSocket = ":8080" },
		"no address to listen on":                      func(o *broker.Options) { o.Listen = "" },
		"needs tls cert_file and key_file":             func(o *broker.Options) { o.ListenTLS = "127.0.0.1:8883" },
		"must be one topic level":                      func(o *broker.Options) { o.Root = "a/b" },
		"max_packet_bytes 10":                          func(o *broker.Options) { o.MaxPacket = 10 },
	} {
		o := broker.Defaults()
		change(&o)
		if err := o.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	_, err := broker.ReadCredentials(strings.NewReader("ann secret oakmill\nbob\nann $2a$bad #\n"), "people")
	for _, want := range []string{"people:1: ", "never the password itself", "people:2: 1 fields", "people:3: user \"ann\" is here twice"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// A broker that was never run leaves its address to the next one.
func TestCloseWithoutRun(t *testing.T) {
	o := broker.Defaults()
	o.Listen, o.Logger = "127.0.0.1:0", zerolog.Nop()
	o.Now = func() collector.Millis { return 1 }
	o.Handler = func(m intake.Message) { m.Ack() }
	first, err := broker.New(o)
	if err != nil {
		t.Fatal(err)
	}
	o.Listen = first.Addresses()["tcp"]
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	second, err := broker.New(o)
	if err != nil {
		t.Fatalf("the address was not given back: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := second.Run(ctx); err != nil {
		t.Errorf("Run: %v", err)
	}
	if err := second.Close(); err != nil {
		t.Errorf("Close after Run: %v", err)
	}
}
