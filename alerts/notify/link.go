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

// Links make and check links by which a person acts without signing in: one
// alert and one person, or one stop and one tech. They expire.
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

// StopGrant is what a link to a stop of a route allows: one tech, at one stop.
type StopGrant struct {
	Tech  string `json:"t"`
	Stop  string `json:"s"`
	Until int64  `json:"u"` // Unix seconds
}

// Purposes keep a link of one sort from passing for one of another.
const (
	toAcknowledge = "acknowledge"
	toVisit       = "visit"
)

// Token signs a grant: base64url(JSON) "." base64url(HMAC-SHA256).
func (l *Links) Token(g Grant) string { return l.seal(toAcknowledge, g) }

// Verify returns what the token grants. Call it before acting on a POST; a GET
// shows the page only, since mail scanners follow links.
func (l *Links) Verify(token string, now time.Time) (Grant, error) {
	var g Grant
	if err := l.open(toAcknowledge, token, &g); err != nil {
		return Grant{}, err
	}
	if now.Unix() >= g.Until {
		return Grant{}, ErrLinkExpired
	}
	return g, nil
}

// StopToken signs a grant for a stop, as Token does for an alert.
func (l *Links) StopToken(g StopGrant) string { return l.seal(toVisit, g) }

// VerifyStop returns what the token of a stop grants.
func (l *Links) VerifyStop(token string, now time.Time) (StopGrant, error) {
	var g StopGrant
	if err := l.open(toVisit, token, &g); err != nil {
		return StopGrant{}, err
	}
	if now.Unix() >= g.Until {
		return StopGrant{}, ErrLinkExpired
	}
	return g, nil
}

func (l *Links) seal(purpose string, grant any) string {
	b, err := json.Marshal(grant)
	if err != nil {
		panic(fmt.Sprintf("notify: a grant cannot be written as JSON: %v", err))
	}
	text := base64.RawURLEncoding.EncodeToString(b)
	return text + "." + base64.RawURLEncoding.EncodeToString(l.sign(purpose, text))
}

func (l *Links) open(purpose, token string, grant any) error {
	text, sig, ok := strings.Cut(token, ".")
	mac, err := base64.RawURLEncoding.DecodeString(sig)
	if !ok || err != nil || len(l.Key) == 0 || !hmac.Equal(mac, l.sign(purpose, text)) {
		return ErrLinkForged
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(b, grant) != nil {
		return ErrLinkForged
	}
	return nil
}

func (l *Links) sign(purpose, text string) []byte {
	m := hmac.New(sha256.New, l.Key)
	m.Write([]byte(purpose + "\n" + text))
	return m.Sum(nil)
}
