package roads

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"coilward/alerts/route"
)

// manhattan is a town whose roads run along the meridians and parallels, at 36
// km/h: the server's numbers cannot be mistaken for estimates.
func manhattan(a, b [2]float64) (seconds, metres float64) {
	m := 1000 * (math.Abs(a[0]-b[0]) + math.Abs(a[1]-b[1])) * 100
	return m / 10, m
}

// town is a routing server, and how it fails.
type town struct {
	mu     sync.Mutex // guards what follows
	asked  int
	most   int // places in one request
	fail   func(w http.ResponseWriter, r *http.Request) bool
	header http.Header
	noWay  [2]float64
}

func (s *town) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	s.asked++
	s.header = r.Header.Clone()
	fail := s.fail
	s.mu.Unlock()
	if fail != nil && fail(w, r) {
		return
	}
	var q question
	if r.Method == http.MethodPost {
		if err := json.NewDecoder(r.Body).Decode(&q); err != nil {
			http.Error(w, err.Error(), 400)
			return
		}
	} else if p := r.URL.Query().Get("p"); p != "" {
		places := points(p)
		q.From, q.To = pick(places, r.URL.Query().Get("f")), pick(places, r.URL.Query().Get("t"))
	} else {
		q.From, q.To = points(r.URL.Query().Get("f")), points(r.URL.Query().Get("t"))
	}
	var a answer
	for _, f := range q.From {
		var sec, met []*float64
		for _, t := range q.To {
			x, m := manhattan(f, t)
			if t == s.noWay && f != t {
				sec, met = append(sec, nil), append(met, nil)
				continue
			}
			sec, met = append(sec, &x), append(met, &m)
		}
		a.Seconds, a.Metres = append(a.Seconds, sec), append(a.Metres, met)
	}
	s.mu.Lock()
	s.most = max(s.most, len(q.From), len(q.To))
	s.mu.Unlock()
	_ = json.NewEncoder(w).Encode(a)
}

// seen is how often it was asked, and for how many places at most.
func (s *town) seen() (asked, most int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asked, s.most
}

func points(text string) (out [][2]float64) {
	for _, p := range strings.Split(text, ";") {
		var x, y float64
		if _, err := fmt.Sscanf(p, "%g,%g", &x, &y); err == nil {
			out = append(out, [2]float64{x, y})
		}
	}
	return out
}

func pick(places [][2]float64, text string) (out [][2]float64) {
	for _, n := range strings.Split(text, ";") {
		i, _ := strconv.Atoi(n)
		out = append(out, places[i])
	}
	return out
}

func some(n int) []route.Point {
	out := make([]route.Point, n)
	for i := range out {
		out[i] = route.Point{Latitude: 40 + float64(i%7)/100, Longitude: -80 + float64(i/7)/100}
	}
	return out
}

// byRoad fails the test unless every time is the town's.
func byRoad(t *testing.T, table route.Table, places []route.Point) {
	t.Helper()
	if table.Note != "" {
		t.Fatalf("note: %s", table.Note)
	}
	for i, a := range lonLat(places) {
		for j, b := range lonLat(places) {
			sec, m := manhattan(a, b)
			if math.Abs(table.Seconds[i*table.N+j]-sec) > 0.01 || math.Abs(table.Metres[i*table.N+j]-m) > 0.1 {
				t.Fatalf("from %v to %v: %g s, %g m; the town says %g s, %g m", a, b, table.Seconds[i*table.N+j], table.Metres[i*table.N+j], sec, m)
			}
		}
	}
}

func estimated(t *testing.T, table route.Table, places []route.Point, because string) {
	t.Helper()
	want, _ := route.GreatCircle{}.Table(t.Context(), places)
	for i := range want.Seconds {
		if table.Seconds[i] != want.Seconds[i] {
			t.Fatalf("way %d takes %g s, estimated %g s", i, table.Seconds[i], want.Seconds[i])
		}
	}
	if !strings.Contains(table.Note, because) {
		t.Errorf("note %q does not say %q", table.Note, because)
	}
}

func open(t *testing.T, s *town, suffix string, o Settings) (*Server, *time.Time, []route.Point) {
	t.Helper()
	h := httptest.NewServer(s)
	t.Cleanup(h.Close)
	o.URL = h.URL + suffix
	if err := o.Validate(); err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	return New(Options{Settings: o, Token: "open sesame", Now: func() time.Time { return now }}), &now, some(23)
}

func table(t *testing.T, s *Server, places []route.Point) route.Table {
	t.Helper()
	out, err := s.Table(t.Context(), places)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The three ways of asking give the same table, in tiles no larger than allowed.
func TestWaysOfAsking(t *testing.T) {
	for _, suffix := range []string{"/ways", "/ways?f={from}&t={to}", "/ways?p={places}&f={from_index}&t={to_index}"} {
		town := &town{}
		s, _, places := open(t, town, strings.NewReplacer(";", "%3B").Replace(suffix), Settings{MaxPlaces: 10})
		// A semicolon in a query must be escaped for net/url's parser; places come so.
		if strings.Contains(suffix, "{") {
			town.fail = func(_ http.ResponseWriter, r *http.Request) bool {
				r.URL.RawQuery = strings.ReplaceAll(r.URL.RawQuery, ";", "%3B")
				return false
			}
		}
		byRoad(t, table(t, s, places), places)
		if asked, most := town.seen(); most > 10 || asked != 9 {
			t.Errorf("%s: %d requests of up to %d places", suffix, asked, most)
		}
		town.mu.Lock()
		if town.header.Get("Authorization") != "Bearer open sesame" {
			t.Errorf("no token: %v", town.header)
		}
		town.mu.Unlock()
	}
}

// What is known is not asked for again until it is old; a place that is new
// costs its own row and column.
func TestAnswersAreKept(t *testing.T) {
	town := &town{}
	s, now, places := open(t, town, "/", Settings{})
	byRoad(t, table(t, s, places[:20]), places[:20])
	byRoad(t, table(t, s, places[:20]), places[:20])
	if asked, _ := town.seen(); asked != 1 {
		t.Fatalf("asked %d times for the same table", asked)
	}
	byRoad(t, table(t, s, places), places)
	asked, _ := town.seen()
	*now = now.Add(25 * time.Hour)
	byRoad(t, table(t, s, places), places)
	if again, _ := town.seen(); again == asked {
		t.Error("an answer of yesterday still stands")
	}
}

// Whatever the server does, there is a table, it says what it is, and a server
// that failed is left alone for a minute.
func TestFailuresAreSaidAndEstimated(t *testing.T) {
	say := func(text string) func(http.ResponseWriter, *http.Request) bool {
		return func(w http.ResponseWriter, _ *http.Request) bool { _, _ = io.WriteString(w, text); return true }
	}
	for name, c := range map[string]struct {
		fail func(http.ResponseWriter, *http.Request) bool
		want string
	}{
		"500": {func(w http.ResponseWriter, _ *http.Request) bool { http.Error(w, "tired", 500); return true }, "500 Internal Server Error"},
		"hang": {func(_ http.ResponseWriter, r *http.Request) bool {
			_, _ = io.Copy(io.Discard, r.Body) // until then nobody notices that the client has gone
			<-r.Context().Done()
			return true
		}, "did not answer within"},
		"cut off":      {func(http.ResponseWriter, *http.Request) bool { panic(http.ErrAbortHandler) }, "EOF"},
		"half a table": {say(`{"seconds":[[0,1]`), "not the JSON"},
		"few rows":     {say(`{"seconds":[[0]],"metres":[[0]]}`), "1 rows of seconds for 23 places"},
		"below zero":   {say(`{"seconds":` + square(23, "-5") + `,"metres":` + square(23, "5") + `}`), "hold -5"},
		"no distances": {say(`{"seconds":` + square(23, "5") + `}`), "0 rows of metres"},
	} {
		t.Run(name, func(t *testing.T) {
			town := &town{fail: c.fail}
			s, now, places := open(t, town, "/", Settings{Timeout: 200 * time.Millisecond})
			estimated(t, table(t, s, places), places, c.want)
			asked, _ := town.seen()
			estimated(t, table(t, s, places), places, c.want)
			if again, _ := town.seen(); again != asked {
				t.Error("a server that just failed is asked again")
			}
			town.mu.Lock()
			town.fail = nil
			town.mu.Unlock()
			*now = now.Add(61 * time.Second)
			byRoad(t, table(t, s, places), places)
		})
	}
	t.Run("refuse", func(t *testing.T) {
		h := httptest.NewServer(nil)
		h.Close()
		s := New(Options{Settings: Settings{URL: h.URL + "/?secret=1"}})
		places := some(5)
		got := table(t, s, places)
		estimated(t, got, places, "refused")
		if strings.Contains(got.Note, "secret") {
			t.Errorf("the address is told: %s", got.Note)
		}
	})
}

func square(n int, cell string) string {
	row := "[" + strings.TrimSuffix(strings.Repeat(cell+",", n), ",") + "]"
	return "[" + strings.TrimSuffix(strings.Repeat(row+",", n), ",") + "]"
}

// An outage after a day's work: what is known stays known, the rest is said.
func TestOutageKeepsWhatIsKnown(t *testing.T) {
	town := &town{}
	s, _, places := open(t, town, "/", Settings{})
	byRoad(t, table(t, s, places[:20]), places[:20])
	town.mu.Lock()
	town.fail = func(w http.ResponseWriter, _ *http.Request) bool {
		http.Error(w, "tired", http.StatusServiceUnavailable)
		return true
	}
	town.mu.Unlock()
	got := table(t, s, places)
	if !strings.Contains(got.Note, "126 of 506 are estimated") {
		t.Errorf("note %q", got.Note)
	}
	sec, _ := manhattan(lonLat(places)[0], lonLat(places)[19])
	if math.Abs(got.Seconds[19]-sec) > 0.01 {
		t.Error("a known way was forgotten")
	}
}

func TestNoRoadIsSaid(t *testing.T) {
	places := some(6)
	town := &town{noWay: lonLat(places)[3]}
	s, _, _ := open(t, town, "/", Settings{})
	got := table(t, s, places)
	if !strings.Contains(got.Note, "no road for 5 of 30 ways") {
		t.Errorf("note %q", got.Note)
	}
	if got.Seconds[3] <= 0 {
		t.Error("a way without a road takes no time")
	}
}

func TestSettingsSayWhatIsWrong(t *testing.T) {
	for want, s := range map[string]Settings{
		"address of a server":   {URL: "maps"},
		"needs {from} and {to}": {URL: "http://h/x?{from}"},
		"routes wait for it":    {Timeout: 2 * time.Minute},
		"between 1 and 1000":    {MaxPlaces: 5000},
		"without url":           {TokenFile: "x"},
		"no shorter":            {Circuity: 0.5},
		"between 5 and 150":     {Speed: 900},
	} {
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", s, err, want)
		}
	}
	if got := fmt.Sprintf("%v", Options{Token: "hidden"}); strings.Contains(got, "hidden") {
		t.Error("the token is printed")
	}
}
