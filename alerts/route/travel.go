package route

import (
	"context"
	"fmt"
	"math"
)

// Table is travel between n places, row by row from each to each.
type Table struct {
	N       int
	Seconds []float64 // n·n
	Metres  []float64 // n·n
	Note    string    // what of it is not as it should be, for whoever plans; "" nothing
}

// Travel tells how long it takes between places. GreatCircle needs nobody;
// a routing server's answer is a Table.
type Travel interface {
	Table(ctx context.Context, places []Point) (Table, error)
}

// earthRadius is the mean radius R₁ of WGS 84, m.
const earthRadius = 6371008.8

// GreatCircle is travel by great circle, times how much longer roads are, at
// one speed.
type GreatCircle struct {
	Circuity float64 // 0: 1.2 (Ballou et al. 2002, Transportation Research A 36, United States; from memory)
	Speed    float64 // km/h; 0: 45, mixed town and road (common practice, no source)
}

// Table implements Travel. It never fails.
func (g GreatCircle) Table(_ context.Context, places []Point) (Table, error) {
	circuity, speed := g.Circuity, g.Speed
	if circuity == 0 {
		circuity = 1.2
	}
	if speed == 0 {
		speed = 45
	}
	n := len(places)
	t := Table{N: n, Seconds: make([]float64, n*n), Metres: make([]float64, n*n)}
	for i := range n {
		for j := range i {
			m := Distance(places[i], places[j]) * circuity
			t.Metres[i*n+j], t.Metres[j*n+i] = m, m
			s := m / (speed / 3.6)
			t.Seconds[i*n+j], t.Seconds[j*n+i] = s, s
		}
	}
	return t, nil
}

// Distance returns the great-circle distance in metres (haversine).
func Distance(a, b Point) float64 {
	const rad = math.Pi / 180
	sLat := math.Sin((b.Latitude - a.Latitude) * rad / 2)
	sLon := math.Sin((b.Longitude - a.Longitude) * rad / 2)
	h := sLat*sLat + math.Cos(a.Latitude*rad)*math.Cos(b.Latitude*rad)*sLon*sLon
	return 2 * earthRadius * math.Asin(math.Sqrt(min(1, h)))
}

// check says what is wrong with a table for n places.
func (t Table) check(n int) error {
	if t.N != n || len(t.Seconds) != n*n || len(t.Metres) != n*n {
		return fmt.Errorf("%w: the travel table has %d places (%d times, %d distances); the problem has %d", ErrProblem, t.N, len(t.Seconds), len(t.Metres), n)
	}
	for i := range t.Seconds {
		if !(t.Seconds[i] >= 0 && t.Metres[i] >= 0) {
			return fmt.Errorf("%w: the travel table holds %g s, %g m from place %d to %d; both must be 0 or more", ErrProblem, t.Seconds[i], t.Metres[i], i/n, i%n)
		}
	}
	return nil
}
