package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
	"coilward/collector/porttest"
)

// real returns the path of a program, or skips the test where it is not there.
func real(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	for _, dir := range []string{"/usr/sbin", "/usr/local/sbin"} {
		if err != nil {
			path, err = exec.LookPath(filepath.Join(dir, name))
		}
	}
	if err != nil && os.Getenv("COILWARD_REAL") == "1" {
		t.Fatalf("%s is not installed, and COILWARD_REAL=1 requires it", name)
	} else if err != nil {
		t.Skipf("%s is not installed; COILWARD_REAL=1 makes this a failure", name)
	}
	return path
}

// certificate writes a self-signed certificate for 127.0.0.1.
func certificate(t *testing.T, dir string) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "broker of a test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	write := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pool = x509.NewCertPool()
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(c)
	return write("broker.pem", "CERTIFICATE", der), write("broker.key", "PRIVATE KEY", keyDER), pool
}

// mosquitto starts a real broker with TLS and passwords, and returns its address.
func mosquitto(t *testing.T, dir, cert, key string) string {
	t.Helper()
	program, passwd := real(t, "mosquitto"), real(t, "mosquitto_passwd")
	passwords := filepath.Join(dir, "passwd")
	for i, user := range []string{"coilward", "gateway"} {
		args := []string{"-b", passwords, user, "secret of " + user}
		if i == 0 {
			args = append([]string{"-c"}, args...)
		}
		if out, err := exec.Command(passwd, args...).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
		}
	}
	address := porttest.Address(t)
	_, port, _ := strings.Cut(address, ":")
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %s 127.0.0.1\ncertfile %s\nkeyfile %s\npassword_file %s\nallow_anonymous false\n"+
		"max_queued_messages 0\nmax_inflight_messages 200\npersistence false\nuser root\n", port, cert, key, passwords)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	eventually(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	return address
}

// eventually waits for another process.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	// A trial gives way to whatever else the machine does, tests of other packages
	// among it.
	for end := time.Now().Add(4 * time.Minute); !is(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("waited four minutes in vain: %s", what)
		}
	}
}

// ask returns the status and body of a page of the daemon.
func ask(address, path string) (int, string) {
	c := http.Client{Timeout: 2 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	r, err := c.Get("http://" + address + path)
	if err != nil {
		return 0, ""
	}
	defer r.Body.Close()
	b, _ := io.ReadAll(r.Body)
	return r.StatusCode, string(b)
}

// Killed in the middle of a stream and started again, the daemon has every
// reading the broker took, each once.
func TestKilledDaemonLosesNothing(t *testing.T) {
	real(t, "mosquitto")
	dir := t.TempDir()
	cert, key, pool := certificate(t, dir)
	brokerAddress := mosquitto(t, dir, cert, key)
	program := filepath.Join(dir, "coilward")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}

	const machines, each = 20, 300
	boardAddress := porttest.Address(t)
	var fleetFile strings.Builder
	fleetFile.WriteString("sites:\n  - id: oakmill\n    name: Oak Mill\n    timezone: America/New_York\n    machines:\n")
	for m := range machines {
		fmt.Fprintf(&fleetFile, "      - {id: cab-%04d, kind: glass-door, product: sealed-beverage}\n", m)
	}
	for name, text := range map[string]string{
		"fleet.yaml": fleetFile.String(),
		"password":   "secret of coilward\n",
		"coilward.yaml": fmt.Sprintf("fleet_file: fleet.yaml\ndata_dir: data\nboard: {listen: %q}\nmqtt:\n  broker: tls://%s\n  client_id: coilward\n"+
			"  topics: [cabinets/+/+/readings, cabinets/+/+/status]\n  user: coilward\n  password_file: password\n  tls: {ca_file: broker.pem}\n  min_back_off: 50ms\n",
			boardAddress, brokerAddress),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var daemonLog bytes.Buffer
	start := func() *exec.Cmd {
		cmd := exec.Command(program, "run", "--config", filepath.Join(dir, "coilward.yaml"))
		cmd.Stderr = &daemonLog
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	isReady := func() bool { status, _ := ask(boardAddress, "/readyz"); return status == http.StatusOK }
	cmd := start()
	defer func() { cmd.Process.Kill(); cmd.Wait() }()
	eventually(t, "the daemon is ready", isReady)

	client := paho.NewClient(paho.NewClientOptions().AddBroker("tls://" + brokerAddress).SetClientID("gateway").
		SetUsername("gateway").SetPassword("secret of gateway").SetTLSConfig(&tls.Config{RootCAs: pool}))
	if tok := client.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("the gateway cannot connect: %v", tok.Error())
	}
	defer client.Disconnect(100)
	base := time.Now().Add(-each * time.Second).Unix()
	for n := range each {
		var tokens []paho.Token
		for m := range machines {
			payload := fmt.Sprintf(`[{"bn":"cab-%04d/","bt":%d,"n":"cabinet_air","u":"Cel","v":3.5},{"n":"energy","u":"Wh","v":%d}]`, m, base+int64(n), n)
			tokens = append(tokens, client.Publish(fmt.Sprintf("cabinets/oakmill/cab-%04d/readings", m), 1, false, payload))
		}
		for _, tok := range tokens {
			if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
				t.Fatalf("the broker did not take a reading: %v", tok.Error())
			}
		}
		switch n {
		case each / 3, each * 2 / 3:
			if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			cmd.Wait()
		case each/3 + 40, each*2/3 + 40: // meanwhile the broker keeps them
			cmd = start()
		}
	}
	eventually(t, "the daemon is ready again", isReady)
	// What is still with the broker comes before this one.
	last := client.Publish("cabinets/oakmill/cab-9999/readings", 1, false, fmt.Sprintf(`[{"t":%d,"n":"energy","u":"Wh","v":1}]`, time.Now().Unix()))
	if !last.WaitTimeout(10 * time.Second) {
		t.Fatal("the broker did not take the last reading")
	}
	eventually(t, "the last reading is in", func() bool {
		_, text := ask(boardAddress, "/metrics")
		return strings.Contains(text, "coilward_fleet_unlisted_machines 1")
	})
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("the daemon did not stop cleanly: %v\n%s", err, daemonLog.String())
	}

	store, err := history.Open(history.Options{Dir: filepath.Join(dir, "data", "history"), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	times := make(map[string]int)
	err = store.Since(context.Background(), 0, func(e *history.Entry) error {
		if e.Machine != "cab-9999" && e.Has.Has(collector.Energy) {
			times[fmt.Sprintf("%s %.0f", e.Machine, e.Value[collector.Energy])]++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(times) != machines*each {
		t.Errorf("%d readings in the history, want %d", len(times), machines*each)
	}
	for what, n := range times {
		if n != 1 {
			t.Errorf("%s is there %d times", what, n)
		}
	}
}
