package alerts

import (
	"fmt"
	"os"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/fault"
)

var t0 = collector.MillisOf(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC))

func finding(f fault.Fault, p float64, left time.Duration) *detect.Finding {
	x := &detect.Finding{ID: "F-1", Machine: "cab-1", Site: "s", At: t0, RaisedAt: t0, Since: t0.Add(-time.Hour), Fault: f, Probability: p,
		Candidates: []detect.Candidate{{Fault: f, Probability: p}}}
	if left != 0 {
		x.LimitAt = t0.Add(left)
		x.LimitSide = detect.Warm
		x.LimitEarly, x.LimitLate = t0.Add(left*8/10), t0.Add(left*13/10)
	}
	return x
}

func TestPriorityGrid(t *testing.T) {
	if os.Getenv("GRID") == "" {
		t.Skip()
	}
	r := NewRules()
	for _, prod := range []fleet.Product{fleet.SealedBeverage, fleet.Dairy} {
		for _, v := range []float64{250, 450, 1200} {
			for _, left := range []time.Duration{0, -5 * time.Hour, -time.Hour, time.Hour, 3 * time.Hour, 5 * time.Hour, 10 * time.Hour, 20 * time.Hour, 40 * time.Hour} {
				fmt.Printf("%s %5.0f %8s:", ProductName(prod), v, left)
				for _, p := range []float64{.2, .3, .5, .7, .8, .9, .99} {
					a := r.Assess(finding(fault.CompressorNotStarting, p, left), &fleet.Machine{Product: prod, LoadValue: v}, t0)
					fmt.Printf(" %-8s", a.Priority)
				}
				fmt.Println()
			}
		}
	}
	for f := 1; f < fault.Num; f++ {
		fmt.Printf("%-24s", fault.Fault(f))
		for _, v := range []float64{250, 450, 1200} {
			for _, p := range []float64{.5, .7, .8, .9, .99} {
				a := r.Assess(finding(fault.Fault(f), p, 0), &fleet.Machine{LoadValue: v}, t0)
				fmt.Printf(" %-8s", a.Priority)
			}
		}
		fmt.Println()
	}
	for h := time.Duration(0); h < 14*time.Hour; h += time.Hour {
		a := r.Assess(finding(fault.Silent, .97, 0), &fleet.Machine{LoadValue: 450}, t0.Add(h))
		fmt.Println(h, a.Priority, a.Why)
	}
}
