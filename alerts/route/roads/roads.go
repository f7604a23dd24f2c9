package roads

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"coilward/alerts/route"
)

// Settings are a section of the configuration. No url: travel is estimated
// along the great circle.
type Settings struct {
	URL       string        `yaml:"url"`
	Timeout   time.Duration `yaml:"timeout"`    // of all requests of a table together; 0: 5 s
	MaxPlaces int           `yaml:"max_places"` // from, and to, in one request; 0: 50
	KeepFor   time.Duration `yaml:"keep_for"`   // an answer is used again for this long; 0: 24 h
	TokenFile string        `yaml:"token_file"` // sent as a bearer token (RFC 6750); "": none

	Circuity float64 `yaml:"circuity"` // roads over the great circle, for estimates; 0: 1.2
	Speed    float64 `yaml:"speed"`    // km/h, for estimates; 0: 45
}

// Validate reports everything that is wrong.
func (s *Settings) Validate() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf("travel: "+format, args...)) }
	if s.URL != "" {
		u, err := url.Parse(placeholders.Replace(s.URL))
		switch {
		case err != nil:
			bad("url %q: %w", s.URL, err)
		case u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
			bad("url %q must be the address of a server, such as http://127.0.0.1:5000/table", s.URL)
		}
		lists := strings.Contains(s.URL, "{from}") && strings.Contains(s.URL, "{to}")
		numbers := strings.Contains(s.URL, "{places}") && strings.Contains(s.URL, "{from_index}") && strings.Contains(s.URL, "{to_index}")
		if strings.Contains(s.URL, "{") && !lists && !numbers {
			bad("url %q: with placeholders it needs {from} and {to}, or {places}, {from_index} and {to_index}; without any, places are sent as JSON", s.URL)
		}
	} else if s.TokenFile != "" {
		bad("token_file without url: give the address of the server")
	}
	if s.Timeout < 0 || s.Timeout > time.Minute {
		bad("timeout %v must be between 0 and 1m: routes wait for it", s.Timeout)
	}
	if s.MaxPlaces < 0 || s.MaxPlaces > 1000 {
		bad("max_places %d must be between 1 and 1000", s.MaxPlaces)
	}
	if s.KeepFor < 0 {
		bad("keep_for must not be negative")
	}
	if !(s.Circuity == 0 || s.Circuity >= 1 && s.Circuity <= 5) {
		bad("circuity %g must be between 1 and 5: roads are no shorter than the great circle", s.Circuity)
	}
	if !(s.Speed == 0 || s.Speed >= 5 && s.Speed <= 150) {
		bad("speed %g km/h must be between 5 and 150", s.Speed)
	}
	return errors.Join(errs...)
}

// placeholders stand for lists that are filled in later.
var placeholders = strings.NewReplacer("{from}", "x", "{to}", "x", "{places}", "x", "{from_index}", "0", "{to_index}", "0")

// Token is a bearer token; it is never printed.
type Token string

// String hides it.
func (Token) String() string { return "***" }

// Options are what a [Server] works with.
type Options struct {
	Settings Settings
	Token    Token
	Client   *http.Client     // nil: one of its own
	Now      func() time.Time // on the wall; nil: time.Now
}

const (
	restAfterFailure = time.Minute // a server that failed is left alone this long
	mostKept         = 400_000     // pairs; about 40 MB
	mostAtOnce       = 4           // requests
	mostAnswer       = 32 << 20    // bytes of one answer
)

// Server is travel by road. It is safe for concurrent use.
type Server struct {
	o        Options
	estimate route.GreatCircle

	mu     sync.Mutex // guards what follows
	kept   map[pair]way
	rested time.Time // not asked before; zero: asked
	why    string    // it failed last; "": it did not
}

// pair is a way between places, rounded to 1e-5 degrees, about a metre.
type pair struct{ fromLat, fromLon, toLat, toLon int32 }

type way struct {
	seconds, metres float32
	none            bool // there is no road between them
	until           time.Time
}

// New returns travel by the settings, which must be valid.
func New(o Options) *Server {
	o.Settings.Timeout = cmp.Or(o.Settings.Timeout, 5*time.Second)
	o.Settings.MaxPlaces = cmp.Or(o.Settings.MaxPlaces, 50)
	o.Settings.KeepFor = cmp.Or(o.Settings.KeepFor, 24*time.Hour)
	if o.Client == nil {
		o.Client = &http.Client{}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Server{o: o, kept: map[pair]way{}, estimate: route.GreatCircle{Circuity: o.Settings.Circuity, Speed: o.Settings.Speed}}
}

// Table implements [route.Travel]. It fails only when ctx ends.
func (s *Server) Table(ctx context.Context, places []route.Point) (route.Table, error) {
	t, err := s.estimate.Table(ctx, places)
	if err != nil || s.o.Settings.URL == "" {
		return t, err
	}
	now := s.o.Now()
	failure := s.learn(ctx, places, now)
	if ctx.Err() != nil {
		return t, ctx.Err()
	}
	estimated, noWay := 0, 0
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, from := range places {
		for j, to := range places {
			if from == to {
				continue
			}
			w, ok := s.kept[pairOf(from, to)]
			switch {
			case !ok || w.until.Before(now):
				estimated++
			case w.none:
				noWay++
			default:
				t.Seconds[i*t.N+j], t.Metres[i*t.N+j] = float64(w.seconds), float64(w.metres)
			}
		}
	}
	switch {
	case estimated > 0:
		t.Note = fmt.Sprintf("The routing server gives no travel times (%s); %d of %d are estimated along the great circle.", cmp.Or(failure, "no answer"), estimated, t.N*(t.N-1))
	case noWay > 0:
		t.Note = fmt.Sprintf("The routing server knows no road for %d of %d ways; those are estimated along the great circle. Check the coordinates of the sites and starts.", noWay, t.N*(t.N-1))
	}
	return t, nil
}

// learn asks for what is not known, and returns why that failed, "" if not.
func (s *Server) learn(ctx context.Context, places []route.Point, now time.Time) string {
	from, to := s.missing(places, now)
	if len(from) == 0 {
		return ""
	}
	s.mu.Lock()
	rested, why := s.rested, s.why
	s.mu.Unlock()
	if now.Before(rested) {
		return why
	}
	limited, stop := context.WithTimeout(ctx, s.o.Settings.Timeout)
	defer stop()
	err := s.ask(limited, from, to, now)
	if ctx.Err() != nil {
		return ""
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		s.rested, s.why = time.Time{}, ""
		return ""
	}
	if errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("it did not answer within %v", s.o.Settings.Timeout)
	}
	s.rested, s.why = now.Add(restAfterFailure), err.Error()
	return s.why
}

// missing are the places with a way from, and to, that is not known.
func (s *Server) missing(places []route.Point, now time.Time) (from, to []route.Point) {
	s.mu.Lock()
	defer s.mu.Unlock()
	unique := make([]route.Point, 0, len(places))
	seen := map[route.Point]bool{}
	for _, p := range places {
		if !seen[p] {
			seen[p] = true
			unique = append(unique, p)
		}
	}
	arrive := make([]bool, len(unique))
	for _, a := range unique {
		leaves := false
		for j, b := range unique {
			if w, ok := s.kept[pairOf(a, b)]; a != b && (!ok || w.until.Before(now)) {
				leaves, arrive[j] = true, true
			}
		}
		if leaves {
			from = append(from, a)
		}
	}
	for j, b := range unique {
		if arrive[j] {
			to = append(to, b)
		}
	}
	return from, to
}

// keep notes the answer of one request. What is too old makes room, then
// anything.
func (s *Server) keep(from, to []route.Point, a *answer, now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.kept)+len(from)*len(to) > mostKept {
		for p, w := range s.kept {
			if w.until.Before(now) || len(s.kept) > mostKept/2 {
				delete(s.kept, p)
			}
		}
	}
	until := now.Add(s.o.Settings.KeepFor)
	for i, f := range from {
		for j, t := range to {
			w := way{none: true, until: until}
			if sec, m := a.Seconds[i][j], a.Metres[i][j]; sec != nil && m != nil {
				w = way{seconds: float32(*sec), metres: float32(*m), until: until}
			}
			s.kept[pairOf(f, t)] = w
		}
	}
}

func pairOf(a, b route.Point) pair {
	return pair{grid(a.Latitude), grid(a.Longitude), grid(b.Latitude), grid(b.Longitude)}
}
