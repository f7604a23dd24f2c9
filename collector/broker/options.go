package broker

import (
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/intake"
)

// TLS is how the broker shows who it is. With a ClientCAFile, only clients with
// a certificate of that authority are let in.
type TLS struct {
	CertFile     string `yaml:"cert_file"`
	KeyFile      string `yaml:"key_file"`
	ClientCAFile string `yaml:"client_ca_file"`
}

// Options say where the broker listens and whom it lets in. An empty address
// means that the listener is not wanted.
type Options struct {
	Listen          string        `yaml:"listen"`             // MQTT over TCP
	ListenTLS       string        `yaml:"listen_tls"`         // MQTT over TLS
	ListenWebSocket string        `yaml:"listen_websocket"`   // MQTT over WebSocket, encrypted if websocket_tls
	WebSocketTLS    bool          `yaml:"websocket_tls"`      //
	TLS             TLS           `yaml:"tls"`                //
	CredentialsFile string        `yaml:"credentials_file"`   // "": anyone, and loopback addresses only
	Root            string        `yaml:"root"`               // first level of every topic
	MaxClients      int           `yaml:"max_clients"`        // connections at once; more are closed at once
	MaxPacket       int           `yaml:"max_packet_bytes"`   // a larger packet closes its connection
	MaxRetained     int           `yaml:"max_retained"`       // status topics remembered
	AckLimit        time.Duration `yaml:"acknowledge_within"` // then the machine is asked to send again
	DrainLimit      time.Duration `yaml:"drain_limit"`        // at a stop, for what is being stored

	Handler    intake.Handler          `yaml:"-"` // called from many goroutines, in order within a connection
	Now        func() collector.Millis `yaml:"-"`
	Logger     zerolog.Logger          `yaml:"-"`
	Registerer prometheus.Registerer   `yaml:"-"`
}

// Defaults listen on loopback only.
func Defaults() Options {
	return Options{
		Listen: "127.0.0.1:1883", Root: "cabinets",
		MaxClients: 20_000, MaxPacket: 256 << 10, MaxRetained: 200_000,
		AckLimit: 30 * time.Second, DrainLimit: 2 * time.Second,
	}
}

// Validate reports everything that is wrong, and what to do about each.
func (o *Options) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf("embedded_broker: "+format, args...)) }
	listening := false
	for name, address := range o.addresses() {
		if address == "" {
			continue
		}
		listening = true
		host, _, err := net.SplitHostPort(address)
		if err != nil {
			bad("%s %q is not an address; write host:port, for example 127.0.0.1:1883", name, address)
		} else if o.CredentialsFile == "" && !loopback(host) {
			bad("%s %q can be reached from other machines, and without credentials anyone there could send readings; set credentials_file, or listen on 127.0.0.1", name, address)
		}
	}
	if !listening {
		bad("no address to listen on; set listen, listen_tls or listen_websocket")
	}
	if wantTLS := o.ListenTLS != "" || o.WebSocketTLS; wantTLS && (o.TLS.CertFile == "" || o.TLS.KeyFile == "") {
		bad("a TLS listener needs tls cert_file and key_file; set both")
	}
	if o.Root == "" || strings.ContainsAny(o.Root, "+#$/\x00") {
		bad("root %q must be one topic level without + # $; cabinets is usual", o.Root)
	}
	if o.MaxClients < 1 || o.MaxRetained < 0 {
		bad("max_clients must be at least 1 and max_retained at least 0")
	}
	if o.MaxPacket < 1024 || o.MaxPacket > 256<<20 {
		bad("max_packet_bytes %d: use 1024 to 268435456; 262144 is usual", o.MaxPacket)
	}
	if o.AckLimit <= 0 || o.DrainLimit <= 0 {
		bad("acknowledge_within and drain_limit must be above zero; 30s and 2s are usual")
	}
	return errors.Join(errs...)
}

func (o *Options) addresses() map[string]string {
	return map[string]string{"listen": o.Listen, "listen_tls": o.ListenTLS, "listen_websocket": o.ListenWebSocket}
}

// loopback goes by what is written: a name may resolve to anything tomorrow.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
