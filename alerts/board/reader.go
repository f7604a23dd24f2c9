package board

import (
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Reader is the person in front of the page: how they read numbers, and the
// name they act under. It is kept in a cookie until there are accounts.
type Reader struct {
	Name       string
	Fahrenheit bool
	TwelveHour bool
}

const (
	readerCookie = "coilward_reader"
	nameLimit    = 60 // runes
)

// readerOf reads the cookie. Without one, a browser set to US English gets °F
// and the twelve-hour clock, everybody else °C and twenty-four hours.
func readerOf(r *http.Request) Reader {
	c, err := r.Cookie(readerCookie)
	if err != nil {
		first, _, _ := strings.Cut(r.Header.Get("Accept-Language"), ",")
		first, _, _ = strings.Cut(first, ";")
		us := strings.EqualFold(strings.TrimSpace(first), "en-US")
		return Reader{Fahrenheit: us, TwelveHour: us}
	}
	v, err := url.ParseQuery(c.Value)
	if err != nil {
		return Reader{}
	}
	return Reader{Name: cleanName(v.Get("name")), Fahrenheit: v.Get("unit") == "F", TwelveHour: v.Get("clock") == "12"}
}

func (r Reader) cookie() *http.Cookie {
	v := url.Values{}
	if r.Name != "" {
		v.Set("name", r.Name)
	}
	v.Set("unit", either(r.Fahrenheit, "F", "C"))
	v.Set("clock", either(r.TwelveHour, "12", "24"))
	return &http.Cookie{
		Name: readerCookie, Value: v.Encode(), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, MaxAge: int((365 * 24 * time.Hour).Seconds()),
	}
}

// cleanName keeps what can be part of a person's name on one line: control
// and formatting characters (which could turn the text around) are dropped.
func cleanName(s string) string {
	if !utf8.ValidString(s) {
		return ""
	}
	s = strings.Map(func(c rune) rune {
		if unicode.IsControl(c) || unicode.Is(unicode.Cf, c) {
			return -1
		}
		return c
	}, s)
	s = strings.Join(strings.Fields(s), " ")
	if n := []rune(s); len(n) > nameLimit {
		s = strings.TrimSpace(string(n[:nameLimit]))
	}
	return s
}
