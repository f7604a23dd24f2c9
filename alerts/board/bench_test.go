package board

import (
	"context"
	"testing"
	"time"

	"coilward/alerts"
	"coilward/detect/fault"
)

// A look at a fleet of 2,000 machines, which all readers of a moment share.
func BenchmarkLookAtAFleet(b *testing.B) {
	w := newWorld(b, 2000, 8)
	for _, m := range []string{"cab-0500", "cab-1200", "cab-2100"} {
		w.hurt(m, fault.CompressorWeak, 0.9, 5*time.Hour, 5, alerts.High, alerts.Unacknowledged)
	}
	board := w.board(b)
	b.ReportAllocs()
	for b.Loop() {
		board.bell.Ring()
		board.look()
	}
}

func BenchmarkFleetParts(b *testing.B) {
	w := newWorld(b, 2000, 8)
	board := w.board(b)
	b.ReportAllocs()
	for b.Loop() {
		for _, p := range board.fleetPage(nil).parts {
			if _, err := board.html(context.Background(), p, Reader{}); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// A week of one machine at a reading a minute, eleven channels.
func BenchmarkStripsOfAWeek(b *testing.B) {
	w := troubled(b)
	board := w.board(b)
	b.ReportAllocs()
	for b.Loop() {
		p := part{id: "strips", data: func(ctx context.Context, r Reader) (any, error) {
			return board.stripsData(ctx, r, "cab-0403", stripsQuery{span: "7d"})
		}}
		if _, err := board.html(context.Background(), p, Reader{}); err != nil {
			b.Fatal(err)
		}
	}
}
