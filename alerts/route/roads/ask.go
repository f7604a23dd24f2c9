package roads

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"coilward/alerts/route"
)

// question is the body of a request.
type question struct {
	From [][2]float64 `json:"from"`
	To   [][2]float64 `json:"to"`
}

// answer is the body of an answer; null is no way.
type answer struct {
	Seconds [][]*float64 `json:"seconds"`
	Metres  [][]*float64 `json:"metres"`
}

// ask gets every way from one list to the other, in tiles that the server takes.
// What came before a failure is kept.
func (s *Server) ask(ctx context.Context, from, to []route.Point, now time.Time) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(mostAtOnce)
	for _, rows := range tiles(from, s.o.Settings.MaxPlaces) {
		for _, columns := range tiles(to, s.o.Settings.MaxPlaces) {
			g.Go(func() error {
				a, err := s.request(ctx, rows, columns)
				if err != nil {
					return err
				}
				s.keep(rows, columns, a, now)
				return nil
			})
		}
	}
	return g.Wait()
}

// tiles cuts a list into pieces of about the same length, none longer than most.
func tiles(list []route.Point, most int) [][]route.Point {
	n := (len(list) + most - 1) / most
	out := make([][]route.Point, 0, n)
	for i := range n {
		out = append(out, list[i*len(list)/n:(i+1)*len(list)/n])
	}
	return out
}

func (s *Server) request(ctx context.Context, from, to []route.Point) (*answer, error) {
	r, err := s.build(ctx, from, to)
	if err != nil {
		return nil, plain(err)
	}
	r.Header.Set("Accept", "application/json")
	if s.o.Token != "" {
		r.Header.Set("Authorization", "Bearer "+string(s.o.Token))
	}
	resp, err := s.o.Client.Do(r)
	if err != nil {
		return nil, plain(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		_, _ = io.CopyN(io.Discard, resp.Body, 4096) // so that the connection can be used again
		return nil, fmt.Errorf("it answered %s", resp.Status)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, mostAnswer+1))
	if err != nil {
		return nil, plain(err)
	}
	if len(body) > mostAnswer {
		return nil, fmt.Errorf("its answer is over %d MiB", mostAnswer>>20)
	}
	var a answer
	if err := json.Unmarshal(body, &a); err != nil {
		return nil, errors.New("its answer is not the JSON that is wanted")
	}
	return &a, a.check(len(from), len(to))
}

// plain leaves the address out of an error: it may hold a key.
func plain(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

func (s *Server) build(ctx context.Context, from, to []route.Point) (*http.Request, error) {
	if strings.Contains(s.o.Settings.URL, "{") {
		numbers := make([]string, len(from)+len(to))
		for i := range numbers {
			numbers[i] = strconv.Itoa(i)
		}
		places := append(append([]route.Point{}, from...), to...)
		address := strings.NewReplacer("{from}", list(from), "{to}", list(to), "{places}", list(places),
			"{from_index}", strings.Join(numbers[:len(from)], ";"), "{to_index}", strings.Join(numbers[len(from):], ";")).Replace(s.o.Settings.URL)
		return http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	}
	body, err := json.Marshal(question{lonLat(from), lonLat(to)})
	if err != nil {
		return nil, err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, s.o.Settings.URL, bytes.NewReader(body))
	if err == nil {
		r.Header.Set("Content-Type", "application/json")
	}
	return r, err
}

// check refuses an answer of another shape, or with times that cannot be.
func (a *answer) check(rows, columns int) error {
	for _, m := range []struct {
		name  string
		table [][]*float64
	}{{"seconds", a.Seconds}, {"metres", a.Metres}} {
		if len(m.table) != rows {
			return fmt.Errorf("its answer has %d rows of %s for %d places", len(m.table), m.name, rows)
		}
		for i, row := range m.table {
			if len(row) != columns {
				return fmt.Errorf("row %d of its %s has %d numbers for %d places", i, m.name, len(row), columns)
			}
			for _, x := range row {
				if x != nil && !(*x >= 0 && *x < 1e8) {
					return fmt.Errorf("its %s hold %g", m.name, *x)
				}
			}
		}
	}
	return nil
}

func lonLat(places []route.Point) [][2]float64 {
	out := make([][2]float64, len(places))
	for i, p := range places {
		out[i] = [2]float64{rounded(p.Longitude), rounded(p.Latitude)}
	}
	return out
}

func list(places []route.Point) string {
	words := make([]string, len(places))
	for i, p := range places {
		words[i] = strconv.FormatFloat(rounded(p.Longitude), 'f', -1, 64) + "," + strconv.FormatFloat(rounded(p.Latitude), 'f', -1, 64)
	}
	return strings.Join(words, ";")
}

// grid is a degree in steps of 1e-5.
func grid(degrees float64) int32 { return int32(math.Round(degrees * 1e5)) }

func rounded(degrees float64) float64 { return float64(grid(degrees)) / 1e5 }
