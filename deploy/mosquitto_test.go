package deploy_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"coilward/collector/porttest"
)

// mosquitto is the broker, run with the configuration that is handed out.
type mosquitto struct {
	dir        string
	plain, tls int
	conf       string
	stop       func(t *testing.T)
	pool       *x509.CertPool
	machine    tls.Certificate
}

const brokerPassword = "dryer-sun-41"

// newMosquitto fits the configuration to a folder, with the lines for TLS taken
// in.
func newMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	m := &mosquitto{dir: t.TempDir(), plain: porttest.Free(t), tls: porttest.Free(t)}
	text, err := os.ReadFile("mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	conf := string(text)
	for _, line := range []string{"listener 8883", "certfile", "keyfile", "cafile", "require_certificate"} {
		if !strings.Contains(conf, "\n#"+line) {
			t.Fatalf("mosquitto.conf has no line #%s", line)
		}
		conf = strings.Replace(conf, "\n#"+line, "\n"+line, 1)
	}
	for from, to := range map[string]string{
		"/mosquitto/config/": m.dir + "/config/", "/mosquitto/data/": m.dir + "/data/",
		"listener 1883\n": fmt.Sprintf("listener %d 127.0.0.1\n", m.plain), "listener 8883\n": fmt.Sprintf("listener %d 127.0.0.1\n", m.tls),
	} {
		if !strings.Contains(conf, from) {
			t.Fatalf("mosquitto.conf does not say %s", from)
		}
		conf = strings.ReplaceAll(conf, from, to)
	}
	if os.Getuid() == 0 { // it would give up root, and not read the test's files
		conf = "user root\n" + conf
	}
	for _, d := range []string{"config", "data"} {
		if err := os.Mkdir(filepath.Join(m.dir, d), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	m.conf = filepath.Join(m.dir, "mosquitto.conf")
	m.write(t, m.conf, []byte(conf))
	m.certificates(t)
	// As compose.yaml says to make it.
	passwd := exec.Command(tool(t, "mosquitto_passwd"), "-b", "-c", filepath.Join(m.dir, "config", "passwd"), "coilward", brokerPassword)
	if out, err := passwd.CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
	}
	return m
}

func (m *mosquitto) write(t *testing.T, name string, data []byte) {
	t.Helper()
	if err := os.WriteFile(name, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// certificates makes an authority, the broker's and a machine's certificate.
func (m *mosquitto) certificates(t *testing.T) {
	t.Helper()
	var root *x509.Certificate
	var rootKey *ecdsa.PrivateKey
	for i, name := range []string{"machines-ca", "server", "machine"} {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		c := &x509.Certificate{
			SerialNumber: big.NewInt(int64(i + 1)), Subject: pkix.Name{CommonName: name},
			NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
			IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		}
		if root == nil {
			c.IsCA, c.BasicConstraintsValid, c.KeyUsage = true, true, x509.KeyUsageCertSign
			root, rootKey = c, key
		}
		der, err := x509.CreateCertificate(rand.Reader, c, root, &key.PublicKey, rootKey)
		if err != nil {
			t.Fatal(err)
		}
		secret, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		public := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
		private := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
		m.write(t, filepath.Join(m.dir, "config", name+".pem"), public)
		m.write(t, filepath.Join(m.dir, "config", name+".key"), private)
		switch name {
		case "machines-ca":
			m.pool = x509.NewCertPool()
			m.pool.AppendCertsFromPEM(public)
		case "machine":
			if m.machine, err = tls.X509KeyPair(public, private); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// start runs the broker until stop or the end of the test.
func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool(t, "mosquitto"), "-c", m.conf)
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stopped := false
	m.stop = func(t *testing.T) {
		if stopped {
			return
		}
		stopped = true
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
		said, _ := os.ReadFile(log.Name()) // to tell it, if it can be read
		if t.Failed() {
			t.Logf("mosquitto said:\n%s", said)
		}
		if strings.Contains(string(said), "Error:") || strings.Contains(string(said), "deprecated") {
			t.Errorf("mosquitto is not content with the configuration:\n%s", said)
		}
	}
	t.Cleanup(func() { m.stop(t) })
	for deadline := time.Now().Add(10 * time.Second); ; {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", m.plain))
		if err == nil {
			_ = c.Close()
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("mosquitto does not listen: %v", err)
		}
		<-time.After(20 * time.Millisecond)
	}
}

// connect returns a client, or the refusal.
func (m *mosquitto) connect(id, password string, secure bool, certificates ...tls.Certificate) (paho.Client, error) {
	o := paho.NewClientOptions().SetClientID(id).SetCleanSession(false).SetAutoReconnect(false).SetConnectTimeout(5 * time.Second)
	o.AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", m.plain))
	if secure {
		o.Servers = nil
		o.AddBroker(fmt.Sprintf("ssl://127.0.0.1:%d", m.tls)).SetTLSConfig(&tls.Config{RootCAs: m.pool, Certificates: certificates})
	}
	if password != "" {
		o.SetUsername("coilward").SetPassword(password)
	}
	c := paho.NewClient(o)
	tok := c.Connect()
	if !tok.WaitTimeout(10 * time.Second) {
		return c, fmt.Errorf("no answer")
	}
	return c, tok.Error()
}

// The broker takes the configuration that is handed out, lets in who has the
// password, and where asked a certificate, and nobody else.
func TestMosquittoLetsIn(t *testing.T) {
	m := newMosquitto(t)
	m.start(t)
	for _, c := range []struct {
		what, password string
		secure         bool
		certificates   []tls.Certificate
		in             bool
	}{
		{"the password", brokerPassword, false, nil, true},
		{"another password", "guess", false, nil, false},
		{"no password", "", false, nil, false},
		{"TLS, the password and a certificate", brokerPassword, true, []tls.Certificate{m.machine}, true},
		{"TLS and the password without a certificate", brokerPassword, true, nil, false},
		{"TLS and a certificate without the password", "", true, []tls.Certificate{m.machine}, false},
	} {
		client, err := m.connect("probe", c.password, c.secure, c.certificates...)
		if (err == nil) != c.in {
			t.Errorf("%s: let in %v, want %v: %v", c.what, err == nil, c.in, err)
		}
		client.Disconnect(10)
	}
}

// What machines send while coilward is away waits for it, more than a broker keeps
// by itself, a restart of the broker included.
func TestMosquittoKeeps(t *testing.T) {
	const messages = 1500 // the broker's own limit is 1000
	m := newMosquitto(t)
	m.start(t)
	reader, err := m.connect("coilward", brokerPassword, false)
	if err != nil {
		t.Fatal(err)
	}
	if tok := reader.Subscribe("cabinets/+/+/readings", 1, nil); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	reader.Disconnect(100)
	machine, err := m.connect("machine", brokerPassword, false)
	if err != nil {
		t.Fatal(err)
	}
	for i := range messages {
		if tok := machine.Publish("cabinets/oakmill/cab-0417/readings", 1, false, fmt.Sprint(i)); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
			t.Fatal(tok.Error())
		}
	}
	machine.Disconnect(100)
	m.stop(t)
	m.start(t)
	var got atomic.Int64
	all := make(chan struct{})
	o := paho.NewClientOptions().AddBroker(fmt.Sprintf("tcp://127.0.0.1:%d", m.plain)).SetClientID("coilward").SetCleanSession(false).
		SetUsername("coilward").SetPassword(brokerPassword).SetDefaultPublishHandler(func(paho.Client, paho.Message) {
		if got.Add(1) == messages {
			close(all)
		}
	})
	again := paho.NewClient(o)
	if tok := again.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer again.Disconnect(10)
	select {
	case <-all:
	case <-time.After(20 * time.Second):
		t.Errorf("%d messages waited, want %d", got.Load(), messages)
	}
}
