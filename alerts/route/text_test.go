package route

import (
	"strings"
	"testing"
	"time"

	"coilward/collector/fleet"
	"coilward/detect/fault"
)

func TestText(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	p := Problem{Now: now, Costs: DefaultCosts,
		Techs: []Tech{{ID: "a", Start: Point{40.4, -79.99}, End: Point{40.4, -79.99}, From: now, Until: now.Add(8 * time.Hour)}},
		Stops: []Stop{{ID: "oakmill", Name: "Oak Mill Works, canteen", Place: Point{40.44, -79.99}, Location: zone,
			Windows: []Window{{now.Add(time.Hour), now.Add(9 * time.Hour)}},
			Jobs: []Job{{Machine: "cab-0417", Kind: fleet.GlassDoor, Fault: fault.CoilIced, Probability: 0.82, TCS: true,
				Loss: Loss{Value: 420, Probability: 0.9, Early: now.Add(4 * time.Hour), Late: now.Add(6 * time.Hour)}}}}}}
	plan := make1(t, p, Options{})
	text := plan.Routes[0].Text(TextOptions{Link: func(id string) string { return "https://board.example/stop/" + id }})
	for _, want := range []string{
		"1 stop, 11 km, 14 min driving", "1. Oak Mill Works, canteen", "Wed 06:07 EDT, opens 07:00", "arrive by Wed 10:00",
		"cab-0417: coil iced (82 %)", "geo:40.44,-79.99", "/stop/oakmill", "door gasket", "plug in your own hands",
		"R-290 and R-600a burn", "never tasted", "Local codes",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the message lacks %q:\n%s", want, text)
		}
	}
	if got := (Point{-0.0000001, 10}).Geo(); got != "geo:0,10" {
		t.Errorf("geo %q", got)
	}
}
