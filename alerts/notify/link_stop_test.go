package notify

import (
	"errors"
	"testing"
	"time"
)

// A link to a stop is for that tech and that stop, until it expires, and is no
// link to acknowledge with; nor the other way round.
func TestStopLinks(t *testing.T) {
	l := &Links{Key: []byte("0123456789abcdef0123456789abcdef")}
	now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	g := StopGrant{Tech: "ines", Stop: "oakmill", Until: now.Add(time.Hour).Unix()}
	token := l.StopToken(g)
	if got, err := l.VerifyStop(token, now); err != nil || got != g {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := l.VerifyStop(token, now.Add(time.Hour)); !errors.Is(err, ErrLinkExpired) {
		t.Errorf("expired: %v", err)
	}
	for i := range token {
		b := []byte(token)
		b[i] ^= 1
		if got, err := l.VerifyStop(string(b), now); err == nil && got != g {
			t.Fatalf("changed at %d it grants %+v", i, got)
		}
	}
	if _, err := l.Verify(token, now); !errors.Is(err, ErrLinkForged) {
		t.Errorf("a stop's link acknowledges: %v", err)
	}
	if _, err := l.VerifyStop(l.Token(Grant{Alert: "A-1", Person: "ines", Until: g.Until}), now); !errors.Is(err, ErrLinkForged) {
		t.Errorf("an alert's link opens a stop: %v", err)
	}
	if _, err := (&Links{}).VerifyStop((&Links{}).StopToken(g), now); !errors.Is(err, ErrLinkForged) {
		t.Errorf("without a key anybody could sign: %v", err)
	}
}
