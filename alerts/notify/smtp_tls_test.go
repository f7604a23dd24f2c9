package notify

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/alerts/ledger"
)

// loopbackTLS is a certificate for 127.0.0.1, and a client that trusts it.
func loopbackTLS(t *testing.T) (server, client *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	of := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, of, of, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, &tls.Config{RootCAs: roots, ServerName: "127.0.0.1"}
}

// TestMailOverTLS hands mail over with STARTTLS and with TLS from the first byte,
// with and without a password, through everything that goes wrong on the way:
// nothing is lost, and what may have come twice says so.
func TestMailOverTLS(t *testing.T) {
	server, client := loopbackTLS(t)
	for _, c := range []struct {
		security, user string
		faults         []smtpFault
		doubled        int
	}{
		{"starttls", "", []smtpFault{fine}, 0},
		{"starttls", "alerts", []smtpFault{dropGreeting, noTLSNow, dropShake, badPassword, greylist, fullDisk, halfOpen, takeAndDrop}, 2},
		{"tls", "", []smtpFault{fine}, 0},
		{"tls", "alerts", []smtpFault{dropGreeting, dropShake, hang, badPassword, greylist, fullDisk, halfOpen, takeAndDrop}, 2},
	} {
		s := newSMTPWith(t, func(s *smtpServer) {
			s.tls, s.from, s.user, s.pass = server, c.security == "tls", c.user, "correct horse"
		}, c.faults...)
		e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: c.security, User: c.user, Password: "correct horse",
			From: "coilward <alerts@example.org>", Timeout: 500 * time.Millisecond, TLS: client})
		if err != nil {
			t.Fatal(err)
		}
		r := newRig(t, map[string]Sender{"email": e})
		r.put(2, "email", "ana@example.org", alerts.High)
		r.settle("email")
		got, extra := s.received(), 0
		for id, n := range got {
			extra += n - 1
			if says := strings.Contains(s.bodies[id], "Sent again"); says != (n > 1) {
				t.Errorf("%s, user %q: mail %s came %d times, says so: %v", c.security, c.user, id, n, says)
			}
		}
		if len(got) != 2 || extra != c.doubled {
			t.Errorf("%s, user %q: %d different mails, %d doubled; want 2, %d", c.security, c.user, len(got), extra, c.doubled)
		}
		if dead, err := r.l.Undelivered(t.Context(), 10); err != nil || len(dead) != 0 {
			t.Errorf("%s, user %q: given up: %+v, %v", c.security, c.user, dead, err)
		}
	}
}

// TestMailTrustsNoStranger: a certificate that the system does not know, or that is
// for another host, gets neither password nor mail.
func TestMailTrustsNoStranger(t *testing.T) {
	server, client := loopbackTLS(t)
	for _, security := range []string{"starttls", "tls"} {
		for name, conf := range map[string]*tls.Config{"unknown": nil, "for another host": {RootCAs: client.RootCAs, ServerName: "mail.example.org"}} {
			s := newSMTPWith(t, func(s *smtpServer) { s.tls, s.from, s.user, s.pass = server, security == "tls", "u", "p" })
			e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: security, User: "u", Password: "p", From: "alerts@example.org", Timeout: time.Second, TLS: conf})
			if err != nil {
				t.Fatal(err)
			}
			err = e.Send(t.Context(), ledger.Message{Key: "k", To: "ana@example.org", Made: noon})
			if err == nil || len(s.received()) != 0 || !strings.Contains(err.Error(), "certificate") {
				t.Errorf("%s, certificate %s: %v, %d mails", security, name, err, len(s.received()))
			}
		}
	}
}

// TestMailHeaders: no program is named but ours, and mail systems are told that no
// person wrote it (RFC 3834).
func TestMailHeaders(t *testing.T) {
	s := newSMTP(t)
	e, err := NewEmail(EmailOptions{Host: "127.0.0.1", Port: s.port(), Security: "none", From: "coilward <alerts@example.org>", Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.Send(t.Context(), ledger.Message{Key: "k", To: "ana@example.org", Subject: "ALTA: café", Text: "leche a 41 °F\n", Made: noon, Priority: alerts.Critical}); err != nil {
		t.Fatal(err)
	}
	h := s.taken[0].Header
	for _, no := range []string{"X-Mailer", "User-Agent"} {
		if v := h.Get(no); v != "" {
			t.Errorf("%s: %s", no, v)
		}
	}
	if h.Get("Auto-Submitted") != "auto-generated" || h.Get("Importance") != "high" || h.Get("Message-ID") == "" {
		t.Errorf("headers %v", h)
	}
	for _, text := range h {
		if strings.Contains(strings.ToLower(strings.Join(text, " ")), "go-mail") {
			t.Errorf("the library is named: %v", text)
		}
	}
}
