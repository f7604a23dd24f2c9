package main

import (
	"testing"
	"time"

	"coilward/alerts/route"
)

// TestNearestTech: one degree of latitude is 111.2 km of great circle (closed form,
// R 6371.0088 km), times 1.2 for roads, at 45 km/h: 2 h 58 min.
func TestNearestTech(t *testing.T) {
	techs := []route.Member{
		{ID: "far", Start: route.Coordinates{Latitude: 45, Longitude: -80}},
		{ID: "near", Start: route.Coordinates{Latitude: 41, Longitude: -80}},
	}
	if d := nearest(techs, route.Point{Latitude: 40, Longitude: -80}); d != 178*time.Minute {
		t.Errorf("%s, want 2h58m", d)
	}
	if d := nearest(techs[1:], route.Point{Latitude: 41, Longitude: -80}); d != shortestDrive {
		t.Errorf("next door: %s, want %s", d, shortestDrive)
	}
}
