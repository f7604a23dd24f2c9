package mqtt

import (
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/intake"
)

// Secret is a password in the configuration. It prints as ***, so that no log,
// error or settings page can show it.
type Secret string

func (Secret) String() string   { return "***" }
func (Secret) GoString() string { return "***" }

// MarshalText hides the secret from encoders too.
func (Secret) MarshalText() ([]byte, error) { return []byte("***"), nil }

// TLS is how the broker is recognised, and how the client shows who it is.
// It is used for tls:// and wss:// brokers.
type TLS struct {
	CAFile     string `yaml:"ca_file"`     // PEM; "": the system's authorities
	CertFile   string `yaml:"cert_file"`   // PEM; client certificate, with key_file
	KeyFile    string `yaml:"key_file"`    // PEM
	ServerName string `yaml:"server_name"` // where the certificate has another name than the address
}

// Options say where the broker is and how to talk to it.
type Options struct {
	Broker       string        `yaml:"broker"`    // tcp://, tls://, ws:// or wss://host:port[/path]
	ClientID     string        `yaml:"client_id"` // names the session at the broker; never two clients with one
	Topics       []string      `yaml:"topics"`    // filters to subscribe to with QoS 1
	User         string        `yaml:"user"`
	PasswordFile string        `yaml:"password_file"` // read at each connect, so that it may be changed
	PasswordEnv  string        `yaml:"password_env"`  // name of an environment variable
	Password     Secret        `yaml:"-"`             // for callers that have it already
	TLS          TLS           `yaml:"tls"`
	KeepAlive    time.Duration `yaml:"keep_alive"`    // silence after which the connection is tested; whole seconds
	PingTimeout  time.Duration `yaml:"ping_timeout"`  // how long the broker may take to answer the test
	ConnectLimit time.Duration `yaml:"connect_limit"` // for address, handshakes and CONNACK together
	WriteLimit   time.Duration `yaml:"write_limit"`   // a write that takes longer ends the connection
	MinBackOff   time.Duration `yaml:"min_back_off"`
	MaxBackOff   time.Duration `yaml:"max_back_off"`
	Gather       time.Duration `yaml:"gather"` // acknowledgements of this long go out in one write
	Queue        int           `yaml:"queue"`  // messages held for the handler; when full, the connection is not read

	Handler    intake.Handler          `yaml:"-"` // called from one goroutine, in the order of arrival
	Now        func() collector.Millis `yaml:"-"`
	Logger     zerolog.Logger          `yaml:"-"`
	Registerer prometheus.Registerer   `yaml:"-"` // nil: no metrics are shown
}

// Defaults are the options of a client that has nothing set but its broker.
func Defaults() Options {
	return Options{
		ClientID:     "coilward",
		Topics:       []string{"cabinets/+/+/readings", "cabinets/+/+/status"},
		KeepAlive:    30 * time.Second,
		PingTimeout:  10 * time.Second,
		ConnectLimit: 20 * time.Second,
		WriteLimit:   20 * time.Second,
		MinBackOff:   500 * time.Millisecond,
		MaxBackOff:   time.Minute,
		Gather:       500 * time.Microsecond,
		Queue:        4096,
	}
}

// Validate reports everything that is wrong, and what to do about each.
func (o *Options) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf("mqtt: "+format, args...)) }
	switch u, err := url.Parse(o.Broker); {
	case o.Broker == "":
		bad("broker is empty; give the broker's address, for example tls://broker.example:8883")
	case err != nil:
		// The text of err would repeat the address, and with it a password in it.
		bad("broker is not an address; write scheme://host:port")
	case u.User != nil:
		bad("broker carries a user or password; move them to user and password_file, since addresses are logged")
	case u.Host == "":
		bad("broker %q names no host; write scheme://host:port", o.Broker)
	case u.Scheme != "tcp" && u.Scheme != "tls" && u.Scheme != "ws" && u.Scheme != "wss":
		bad("broker %q: unknown scheme %q; use tcp, tls, ws or wss", o.Broker, u.Scheme)
	case (u.Scheme == "tcp" || u.Scheme == "ws") && o.TLS != (TLS{}):
		bad("broker %q is not encrypted, yet tls is set; use the scheme tls or wss, or remove tls", o.Broker)
	case (u.Scheme == "tcp" || u.Scheme == "tls") && u.Port() == "":
		bad("broker %q has no port; 1883 is usual for tcp, 8883 for tls", o.Broker)
	}
	if o.ClientID == "" {
		bad("client_id is empty; give a name of its own, under which the broker keeps messages while coilward is away")
	}
	if len(o.Topics) == 0 {
		bad("topics is empty; give at least one filter, for example cabinets/+/+/readings")
	}
	for _, topic := range o.Topics {
		if !validFilter(topic) {
			bad("topics: %q is not a topic filter; + stands for one level, # at the end for all below", topic)
		}
	}
	set := 0
	for _, given := range []bool{o.Password != "", o.PasswordFile != "", o.PasswordEnv != ""} {
		if given {
			set++
		}
	}
	if set > 1 {
		bad("the password is given more than once; keep one of password_file and password_env")
	}
	if set > 0 && o.User == "" {
		bad("a password is given without a user; set user")
	}
	if (o.TLS.CertFile == "") != (o.TLS.KeyFile == "") {
		bad("tls: cert_file and key_file belong together; set both or neither")
	}
	if o.KeepAlive < time.Second || o.KeepAlive > 18*time.Hour || o.KeepAlive%time.Second != 0 {
		bad("keep_alive %v: use whole seconds from 1s to 18h; 30s is usual", o.KeepAlive)
	}
	if o.PingTimeout <= 0 || o.ConnectLimit <= 0 || o.WriteLimit <= 0 {
		bad("ping_timeout, connect_limit and write_limit must be above zero; 10s is usual")
	}
	if o.MinBackOff <= 0 || o.MaxBackOff < o.MinBackOff {
		bad("min_back_off %v and max_back_off %v: use 0 < min_back_off ≤ max_back_off", o.MinBackOff, o.MaxBackOff)
	}
	if o.Gather < 0 || o.Gather > 100*time.Millisecond {
		bad("gather %v: use 0 to 100ms; 0.5ms is usual", o.Gather)
	}
	if o.Queue < 1 {
		bad("queue %d: use at least 1; 4096 is usual", o.Queue)
	}
	return errors.Join(errs...)
}

// validFilter applies the rules of MQTT 3.1.1, 4.7.1.
func validFilter(filter string) bool {
	if filter == "" || len(filter) > 65535 || strings.ContainsRune(filter, 0) {
		return false
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		if strings.Contains(level, "#") && (level != "#" || i != len(levels)-1) {
			return false
		}
		if strings.Contains(level, "+") && level != "+" {
			return false
		}
	}
	return true
}

// password reads the password anew.
func (o *Options) password() (string, error) {
	switch {
	case o.PasswordFile != "":
		data, err := os.ReadFile(o.PasswordFile)
		if err != nil {
			return "", fmt.Errorf("cannot read the broker's password: %w; check password_file and its permissions", err)
		}
		return strings.TrimRight(string(data), "\r\n"), nil
	case o.PasswordEnv != "":
		value, ok := os.LookupEnv(o.PasswordEnv)
		if !ok {
			return "", fmt.Errorf("the environment has no %s, which password_env names; set it", o.PasswordEnv)
		}
		return value, nil
	}
	return string(o.Password), nil
}
