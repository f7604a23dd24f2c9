package mqtt_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
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
	"testing"
	"time"

	"coilward/collector/broker"
	"coilward/collector/intake"
	"coilward/collector/porttest"
)

func contains(s, part string) bool { return strings.Contains(s, part) }

// server finds a program of a real server, or skips; COILWARD_REAL=1 fails
// instead, so that the full run cannot pass without it.
func server(t *testing.T, name string) string {
	t.Helper()
	for _, try := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(try); err == nil {
			return path
		}
	}
	if os.Getenv("COILWARD_REAL") == "1" {
		t.Fatalf("%s is not installed, and COILWARD_REAL=1 requires it", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// authority makes certificates for 127.0.0.1 under a name of our own.
type authority struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	a := &authority{dir: t.TempDir()}
	a.cert, a.key = a.issue(t, "ca", true)
	return a
}

func (a *authority) file(name string) string { return filepath.Join(a.dir, name) }

func (a *authority) issue(t *testing.T, name string, root bool) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, _ := rand.Int(rand.Reader, big.NewInt(1<<62))
	template := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, DNSNames: []string{"broker.oakmill.test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	parent, signer := a.cert, a.key
	if root {
		template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
		parent, signer = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, a.file(name+".pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	write(t, a.file(name+".key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}))
	return cert, key
}

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// startMosquitto runs a real broker with the lines given, until the test ends.
func startMosquitto(t *testing.T, port int, lines ...string) {
	t.Helper()
	program := server(t, "mosquitto")
	dir := t.TempDir()
	if os.Getuid() == 0 { // or mosquitto would give up root and not read the test's files
		lines = append([]string{"user root"}, lines...)
	}
	conf := filepath.Join(dir, "mosquitto.conf")
	write(t, conf, []byte(strings.Join(lines, "\n")+"\n"))
	var log bytes.Buffer
	cmd := exec.Command(program, "-c", conf)
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("mosquitto said:\n%s", log.String())
		}
	})
	await(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// Against a real broker: TLS with our own authority and a client certificate,
// a password, a persistent session that outlives the client, and redelivery of
// exactly what was not acknowledged.
func TestMosquittoTLSPasswordAndSession(t *testing.T) {
	server(t, "mosquitto")
	a := newAuthority(t)
	a.issue(t, "server", false)
	a.issue(t, "client", false)
	write(t, a.file("passwd"), []byte("watch:dryer-sun-41\n"))
	if out, err := exec.Command(server(t, "mosquitto_passwd"), "-U", a.file("passwd")).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v %s", err, out)
	}
	write(t, a.file("password"), []byte("dryer-sun-41\n"))
	port := porttest.Free(t)
	startMosquitto(t, port, fmt.Sprintf("listener %d 127.0.0.1", port), "allow_anonymous false",
		"password_file "+a.file("passwd"), "cafile "+a.file("ca.pem"), "certfile "+a.file("server.pem"),
		"keyfile "+a.file("server.key"), "require_certificate true", "max_queued_messages 0", "max_inflight_messages 0")

	messages := make(chan intake.Message, 1000)
	o := clientOptions(fmt.Sprintf("tls://127.0.0.1:%d", port), func(m intake.Message) { messages <- m })
	o.User, o.PasswordFile = "watch", a.file("password")
	o.TLS.CAFile, o.TLS.CertFile, o.TLS.KeyFile = a.file("ca.pem"), a.file("client.pem"), a.file("client.key")
	o.TLS.ServerName = "broker.oakmill.test"
	c, stop := startClient(t, o)
	await(t, "connected", connected(c))

	sender := o
	sender.ClientID, sender.Topics = "sender", []string{"nothing"}
	s, _ := startClient(t, sender)
	await(t, "sender connected", connected(s))
	publish(t, s, "cabinets/oakmill/cab-1/readings", "kept")
	kept := receive(t, messages)
	if kept.Topic != "cabinets/oakmill/cab-1/readings" || kept.Received == 0 {
		t.Errorf("got %+v", kept)
	}
	stop() // not acknowledged
	for i := range 50 {
		publish(t, s, "cabinets/oakmill/cab-1/readings", fmt.Sprint(i))
	}
	startClient(t, o)
	seen := map[string]bool{}
	for len(seen) < 51 {
		m := receive(t, messages)
		seen[string(m.Payload)] = true
		m.Ack()
	}
	if !seen["kept"] {
		t.Error("the message that was not acknowledged did not come again")
	}

	// What must not work: a wrong password, an unknown authority.
	write(t, a.file("wrong"), []byte("guess"))
	other := newAuthority(t)
	for name, test := range map[string]struct {
		password, authority, want string
	}{
		"password":  {a.file("wrong"), a.file("ca.pem"), "check user, password"},
		"authority": {a.file("password"), other.file("ca.pem"), "cannot reach the broker"},
	} {
		want, refused := test.want, o
		refused.PasswordFile, refused.TLS.CAFile = test.password, test.authority
		refused.ClientID = "refused-" + name
		c, stop := startClient(t, refused)
		await(t, "refused for "+name, func() bool { return contains(c.State().Err, want) })
		if contains(c.State().Err, "guess") {
			t.Errorf("the password is in the error: %s", c.State().Err)
		}
		stop()
	}
}

// Nothing is lost when the connection is cut again and again while messages
// flow and acknowledgements come late.
func TestNothingLostOverCuts(t *testing.T) {
	port := porttest.Free(t)
	startMosquitto(t, port, fmt.Sprintf("listener %d 127.0.0.1", port), "allow_anonymous true",
		"max_queued_messages 0", "max_inflight_messages 0")
	address := fmt.Sprintf("127.0.0.1:%d", port)
	p := newProxy(t, address)
	messages := make(chan intake.Message, 10_000)
	c, _ := startClient(t, clientOptions(p.url(), func(m intake.Message) { messages <- m }))
	await(t, "connected", connected(c))
	sender := clientOptions("tcp://"+address, func(m intake.Message) { m.Ack() })
	sender.ClientID, sender.Topics = "sender", []string{"nothing"}
	s, _ := startClient(t, sender)
	const n = 400
	seen := map[string]bool{}
	for i := range n {
		publish(t, s, "cabinets/oakmill/cab-1/readings", fmt.Sprint(i))
		if i%100 == 50 {
			p.cut()
		}
	}
	for len(seen) < n {
		m := receive(t, messages)
		seen[string(m.Payload)] = true
		m.Ack()
	}
}

// WebSocket with and without TLS, through the embedded broker.
func TestWebSocket(t *testing.T) {
	a := newAuthority(t)
	a.issue(t, "server", false)
	for scheme, secure := range map[string]bool{"ws": false, "wss": true} {
		t.Run(scheme, func(t *testing.T) {
			b := startBroker(t, func(o *broker.Options) {
				o.Listen, o.ListenWebSocket, o.WebSocketTLS = "", "127.0.0.1:0", secure
				o.TLS.CertFile, o.TLS.KeyFile = a.file("server.pem"), a.file("server.key")
			})
			messages := make(chan intake.Message, 10)
			o := clientOptions(scheme+"://"+b.Addresses()["websocket"], func(m intake.Message) { messages <- m })
			if secure {
				o.TLS.CAFile = a.file("ca.pem")
			}
			c, _ := startClient(t, o)
			await(t, "connected", connected(c))
			publish(t, c, "cabinets/oakmill/cab-1/status", "online")
			if m := receive(t, messages); string(m.Payload) != "online" {
				t.Errorf("got %q", m.Payload)
			} else {
				m.Ack()
			}
		})
	}
}
