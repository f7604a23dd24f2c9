package route

import (
	"math"
	"testing"
)

// Closed form: one degree of latitude at R 6371.0088 km. Circuity 1.2: Ballou
// et al. 2002 (from memory).
func TestGreatCircle(t *testing.T) {
	if d := Distance(Point{40, -80}, Point{41, -80}); math.Abs(d-111195.1) > 0.1 {
		t.Errorf("1° of latitude is %.2f m", d)
	}
	if d := Distance(Point{0, 179.5}, Point{0, -179.5}); math.Abs(d-111195.1) > 0.1 {
		t.Errorf("1° across the date line is %.2f m", d)
	}
	table, _ := GreatCircle{Speed: 60}.Table(t.Context(), []Point{{40, -80}, {41, -80}})
	if math.Abs(table.Seconds[1]-1.2*111.1951*60) > 0.1 {
		t.Errorf("takes %g s", table.Seconds[1])
	}
}
