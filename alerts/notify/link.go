package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Links make and check links by which a person acknowledges an alert without
// signing in. A link names one alert and one person, and expires.
type Links struct {
	Key []byte // 32 random bytes, kept secret
}

// Grant is what a link allows.
type Grant struct {
	Alert  string `json:"a"`
	Person string `json:"p"`
	Until  int64  `json:"u"` // Unix seconds
}

// Errors of [Links.Verify].
var (
	ErrLinkForged  = errors.New("this link is not one of ours; sign in to the board instead")
	ErrLinkExpired = errors.New("this link has expired; sign in to the board instead")
)

// Token signs a grant: base64url(JSON) "." base64url(HMAC-SHA256).
func (l *Links) Token(g Grant) string {
	b, err := json.Marshal(g)
	if err != nil {
		panic(fmt.Sprintf("notify: a grant cannot be written as JSON: %v", err))
	}
	text := base64.RawURLEncoding.EncodeToString(b)
	return text + "." + base64.RawURLEncoding.EncodeToString(l.sign(text))
}

func (l *Links) sign(text string) []byte {
	m := hmac.New(sha256.New, l.Key)
	m.Write([]byte("acknowledge\n" + text))
	return m.Sum(nil)
}

// Verify returns what the token grants. Call it before acting on a POST; a GET
// shows the page only, since mail scanners follow links.
func (l *Links) Verify(token string, now time.Time) (Grant, error) {
	var g Grant
	text, sig, ok := strings.Cut(token, ".")
	mac, err := base64.RawURLEncoding.DecodeString(sig)
	if !ok || err != nil || !hmac.Equal(mac, l.sign(text)) {
		return g, ErrLinkForged
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(b, &g) != nil {
		return Grant{}, ErrLinkForged
	}
	if now.Unix() >= g.Until {
		return Grant{}, ErrLinkExpired
	}
	return g, nil
}
