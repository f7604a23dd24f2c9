package board

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// policy lets a page load what the board itself serves and nothing else: no
// inline script, no inline style, no frame, no other origin.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// guard stands before every path. It refuses host names that are not ours,
// refuses changes that another site's page asked for, and sets the headers.
func guard(hosts map[string]bool, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if !hosts[hostOnly(r.Host)] {
			http.Error(w, fmt.Sprintf("This board does not answer to the name %q. Open it by the address it printed at its start, "+
				"or add the name to the board's hosts.", r.Host), http.StatusMisdirectedRequest)
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			if !fromOwnPage(r) {
				http.Error(w, "Refused: this change was asked for by a page that is not this board's. Open the board and do it there.",
					http.StatusForbidden)
				return
			}
			r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
		}
		next.ServeHTTP(w, r)
	})
}

// fromOwnPage reports whether a change comes from a page of this board.
// Browsers say so in Sec-Fetch-Site, older ones in Origin. A request with
// neither is not from a browser page (curl, a script on this host), and there
// is nobody it could have been forged by.
func fromOwnPage(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" {
		return false
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && u.Host != "" && strings.EqualFold(u.Host, r.Host)
}

// hostOnly is a Host header without port and brackets, in lower case.
func hostOnly(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.Trim(host, "[]"))
}

// knownHosts are the loopback names and those the options add.
func knownHosts(extra []string) map[string]bool {
	hosts := map[string]bool{"localhost": true, "127.0.0.1": true, "::1": true}
	for _, h := range extra {
		hosts[hostOnly(h)] = true
	}
	return hosts
}

// CheckListen says what is wrong with an address for Options.Listen.
func CheckListen(address string) error { return loopbackOnly(address) }

// loopbackOnly refuses an address others could reach.
func loopbackOnly(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("board address %q: %w; write it as 127.0.0.1:8417", address, err)
	}
	if host == "localhost" {
		return nil
	}
	if ip, err := netip.ParseAddr(host); err != nil || !ip.IsLoopback() {
		return fmt.Errorf("board address %q can be reached from other machines, and the board has no accounts yet; "+
			"listen on 127.0.0.1 and reach it through an SSH tunnel or a reverse proxy with its own login", address)
	}
	return nil
}
