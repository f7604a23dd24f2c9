package notify

import (
	"bufio"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"io"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
)

// smtpFault is what the server does wrong on one connection.
type smtpFault int

const (
	fine         smtpFault = iota
	dropGreeting           // closes at once
	hang                   // accepts and says nothing
	busy                   // 421 instead of a greeting
	noMailbox              // 550 to RCPT
	greylist               // 451 to RCPT
	fullDisk               // 452 after the data
	refusedData            // 554 after the data
	halfOpen               // takes the data, then neither answers nor closes
	takeAndDrop            // takes the data and closes without an answer
	dropQuit               // takes the data, says so, closes at RSET
	dropShake              // closes in the middle of the TLS handshake
	noTLSNow               // 454 to STARTTLS
	badPassword            // 535 to AUTH, whatever it is
)

// smtpServer is a small real mail server on the loopback, whose faults are chosen.
type smtpServer struct {
	t    *testing.T
	ln   net.Listener
	done chan struct{}
	wg   sync.WaitGroup
	tls  *tls.Config // nil: no encryption
	from bool        // TLS from the first byte, not by STARTTLS
	user string      // "" : no authentication; else PLAIN or LOGIN, over TLS only
	pass string

	mu     sync.Mutex
	script []smtpFault       // one a connection, then fine; guarded by mu
	taken  []*mail.Message   // whose data came whole; guarded by mu
	bodies map[string]string // by Message-ID, the newest; guarded by mu
	tries  int               // connections; guarded by mu
}

func newSMTP(t *testing.T, script ...smtpFault) *smtpServer {
	t.Helper()
	return newSMTPWith(t, func(*smtpServer) {}, script...)
}

func newSMTPWith(t *testing.T, set func(*smtpServer), script ...smtpFault) *smtpServer {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &smtpServer{t: t, ln: ln, done: make(chan struct{}), script: script, bodies: map[string]string{}}
	set(s)
	s.wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			s.wg.Go(func() { s.serve(c) })
		}
	})
	t.Cleanup(func() { close(s.done); ln.Close(); s.wg.Wait() })
	return s
}

func (s *smtpServer) port() int { return s.ln.Addr().(*net.TCPAddr).Port }

func (s *smtpServer) serve(c net.Conn) {
	defer c.Close()
	s.mu.Lock()
	s.tries++
	fault := fine
	if len(s.script) > 0 {
		fault, s.script = s.script[0], s.script[1:]
	}
	s.mu.Unlock()
	stall := func() {
		go io.Copy(io.Discard, c)
		<-s.done
	}
	switch fault {
	case dropGreeting:
		return
	case hang:
		stall()
		return
	case busy:
		fmt.Fprint(c, "421 busy\r\n")
		return
	}
	encrypted := false
	if s.from {
		if fault == dropShake {
			_, _ = io.ReadFull(c, make([]byte, 8))
			return
		}
		c, encrypted = tls.Server(c, s.tls), true
		defer c.Close()
	}
	authenticated := s.user == ""
	r := bufio.NewReader(c)
	say := func(line string) { fmt.Fprint(c, line+"\r\n") }
	say("220 loopback ESMTP")
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		verb, _, _ := strings.Cut(strings.ToUpper(strings.TrimSpace(line)), " ")
		switch {
		case verb == "EHLO" || verb == "HELO":
			say("250-loopback")
			if s.tls != nil && !encrypted {
				say("250-STARTTLS")
			}
			if s.user != "" && encrypted {
				say("250-AUTH PLAIN LOGIN")
			}
			say("250 8BITMIME")
		case verb == "STARTTLS":
			if fault == noTLSNow {
				say("454 not now")
				continue
			}
			say("220 go on")
			if fault == dropShake {
				_, _ = io.ReadFull(c, make([]byte, 8))
				return
			}
			c, encrypted = tls.Server(c, s.tls), true
			defer c.Close()
			r = bufio.NewReader(c)
		case verb == "AUTH":
			ok := s.check(line, r, say)
			if fault == badPassword || !ok || !encrypted {
				say("535 no")
				continue
			}
			authenticated = true
			say("235 welcome")
		case !authenticated && (verb == "MAIL" || verb == "RCPT" || verb == "DATA"):
			say("530 who are you")
		case verb == "RCPT" && fault == noMailbox:
			say("550 no such mailbox")
		case verb == "RCPT" && fault == greylist:
			say("451 come again later")
		case verb == "DATA":
			say("354 go on")
			var b strings.Builder
			for {
				l, err := r.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(l, "."))
			}
			switch fault {
			case fullDisk:
				say("452 disk full")
				continue
			case refusedData:
				say("554 refused")
				continue
			}
			s.take(b.String())
			switch fault {
			case halfOpen:
				stall()
				return
			case takeAndDrop:
				return
			}
			say("250 taken")
			if fault == dropQuit {
				return
			}
		case verb == "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

// check reads PLAIN (RFC 4616) or LOGIN credentials.
func (s *smtpServer) check(line string, r *bufio.Reader, say func(string)) bool {
	f := strings.Fields(line)
	next := func(prompt string) string {
		say("334 " + base64.StdEncoding.EncodeToString([]byte(prompt)))
		l, _ := r.ReadString('\n')
		b, _ := base64.StdEncoding.DecodeString(strings.TrimSpace(l))
		return string(b)
	}
	if len(f) < 2 {
		return false
	}
	switch strings.ToUpper(f[1]) {
	case "PLAIN":
		var got string
		if len(f) == 3 {
			b, _ := base64.StdEncoding.DecodeString(f[2])
			got = string(b)
		} else {
			got = next("")
		}
		return got == "\x00"+s.user+"\x00"+s.pass
	case "LOGIN":
		return next("Username:") == s.user && next("Password:") == s.pass
	}
	return false
}

func (s *smtpServer) take(data string) {
	m, err := mail.ReadMessage(strings.NewReader(data))
	if err != nil {
		s.t.Errorf("not a mail: %v", err)
		return
	}
	body, _ := io.ReadAll(m.Body)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.taken = append(s.taken, m)
	s.bodies[m.Header.Get("Message-ID")] = string(body)
}

// received counts the mails by Message-ID.
func (s *smtpServer) received() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := map[string]int{}
	for _, m := range s.taken {
		n[m.Header.Get("Message-ID")]++
	}
	return n
}
