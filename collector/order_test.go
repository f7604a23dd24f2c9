package collector

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// drive pushes readings in turn and ends with a flush.
func drive(o *Orderer, in []Reading) (out []Reading) {
	keep := func(r *Reading) { out = append(out, *r) }
	for i := range in {
		o.Push(&in[i], keep)
	}
	o.Flush(keep)
	return out
}

// equal leaves out Received, which differs between two deliveries of the same.
func equal(a, b []Reading) bool {
	return slices.EqualFunc(a, b, func(x, y Reading) bool {
		x.Extra, y.Extra = nil, nil
		return x.Machine == y.Machine && x.At == y.At && x.Has == y.Has && x.Value == y.Value && x.Status == y.Status
	})
}

func instants(rs []Reading) (at []Millis) {
	for _, r := range rs {
		at = append(at, r.At)
	}
	return at
}

func TestOrdererPermutedRepeatedSplitGiveTheSameSequence(t *testing.T) {
	const window = 10_000
	rapid.Check(t, func(t *rapid.T) {
		// Well-behaved readings, each heard the moment it was measured.
		var want []Reading
		at := Millis(1_000_000)
		for range rapid.IntRange(1, 30).Draw(t, "instants") {
			at += Millis(rapid.IntRange(1, 20_000).Draw(t, "gap"))
			r := Reading{Machine: "cab-0417", At: at, Received: at}
			for c := range NumChannels {
				if rapid.Bool().Draw(t, "has") {
					r.Has = r.Has.With(Channel(c))
					r.Value[c] = float64(at) + float64(c)
				}
			}
			want = append(want, r)
		}
		// The same, each up to a window late, some twice, some in two parts.
		var got []Reading
		for _, r := range want {
			parts := []Reading{r}
			if rapid.Bool().Draw(t, "split") {
				half := ChannelSet(rapid.Uint32().Draw(t, "half")) & r.Has
				a, b := r, r
				a.Has, b.Has = half, r.Has&^half
				parts = []Reading{a, b}
			}
			if rapid.Bool().Draw(t, "again") {
				parts = append(parts, parts[0])
			}
			for _, p := range parts {
				p.Received += Millis(rapid.IntRange(0, window-1).Draw(t, "delay"))
				got = append(got, p)
			}
		}
		slices.SortStableFunc(got, func(a, b Reading) int { return int(a.Received - b.Received) })

		late := 0
		order := NewOrder(OrderOptions{Window: window * time.Millisecond, Late: func(*Reading) { late++ }})
		o, p := order.Orderer(), order.Orderer()
		inOrder, mixed := drive(&o, want), drive(&p, got)
		if !equal(inOrder, want) {
			t.Fatalf("readings in order come out as %v, want %v", instants(inOrder), instants(want))
		}
		if late != 0 || !equal(mixed, want) {
			t.Fatalf("%d late; mixed readings come out as %v, want %v", late, instants(mixed), instants(want))
		}
	})
}

// Whatever comes in, what goes out is in order, and nothing is lost.
func TestOrdererNeverStepsBackAndLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in []Reading
		now := Millis(1_000_000)
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			now += Millis(rapid.IntRange(-20_000, 15_000).Draw(t, "step"))
			r := Reading{Machine: "m", Received: now, At: Millis(rapid.IntRange(900_000, 1_200_000).Draw(t, "at"))}
			if rapid.IntRange(0, 5).Draw(t, "kind") == 0 {
				r.Status = Online
			}
			in = append(in, r)
		}
		var lateAt []Millis
		order := NewOrder(OrderOptions{Held: rapid.IntRange(1, 8).Draw(t, "held"), Late: func(r *Reading) { lateAt = append(lateAt, r.At) }})
		o := order.Orderer()
		out := drive(&o, in)
		c := order.Counts()
		if int(c.Released) != len(out) || int(c.Late) != len(lateAt) || len(out)+len(lateAt)+int(c.Merged) != len(in) {
			t.Fatalf("%d in; %d out, %d late, counted %+v", len(in), len(out), len(lateAt), c)
		}
		last := Millis(-1)
		for _, r := range out {
			if r.Status != NoStatus {
				continue
			}
			if r.At <= last {
				t.Fatalf("stepped back: %v", instants(out))
			}
			last = r.At
		}
		if o.Held() != 0 {
			t.Fatalf("%d still held after a flush", o.Held())
		}
	})
}

func TestOrdererReleasesWhenDue(t *testing.T) {
	order := NewOrder(OrderOptions{Window: 10 * time.Second})
	o := order.Orderer()
	var out []Reading
	keep := func(r *Reading) { out = append(out, *r) }
	if _, ok := o.Next(); ok {
		t.Error("an empty orderer says that something is due")
	}
	o.Push(&Reading{At: 2000, Received: 5000}, keep)
	o.Push(&Reading{At: 1000, Received: 9000}, keep)
	if due, ok := o.Next(); !ok || due != 15_000 {
		t.Errorf("Next = %v, %v; want 15000", due, ok)
	}
	if o.Advance(14_999, keep); len(out) != 0 {
		t.Errorf("released %v before it was due", instants(out))
	}
	if o.Advance(15_000, keep); !slices.Equal(instants(out), []Millis{1000, 2000}) {
		t.Errorf("released %v, want 1000 and 2000", instants(out))
	}
	if at, ok := o.Last(); !ok || at != 2000 {
		t.Errorf("Last = %v, %v; want 2000", at, ok)
	}
}

func TestOrdererDoesNotWaitForAClockSetBack(t *testing.T) {
	order := NewOrder(OrderOptions{Window: 10 * time.Second})
	o := order.Orderer()
	n := 0
	count := func(*Reading) { n++ }
	o.Push(&Reading{At: 3_600_000, Received: 3_600_000}, count)
	o.Advance(0, count)
	if n != 1 {
		t.Errorf("released %d after the pipeline's clock went back an hour, want 1", n)
	}
}

func TestOrdererStatusHoldsNobodyUp(t *testing.T) {
	late := 0
	order := NewOrder(OrderOptions{Window: 10 * time.Second, Late: func(*Reading) { late++ }})
	o := order.Orderer()
	out := drive(&o, []Reading{
		{Status: Online, At: 100_000, Received: 100_000},
		{At: 60_000, Received: 111_000}, // backfill, after the status went out
		{At: 50_000, Received: 112_000},
	})
	if late != 0 || len(out) != 3 || out[0].Status != Online || out[1].At != 50_000 {
		t.Errorf("%d late, released %v", late, instants(out))
	}
}

func TestOrdererKeepsExtras(t *testing.T) {
	order := NewOrder(OrderOptions{})
	o := order.Orderer()
	backing := []Extra{{Name: "a", Value: 1}, {Name: "x", Value: 9}}
	out := drive(&o, []Reading{
		{At: 1, Received: 1, Extra: backing[:1]},
		{At: 1, Received: 2, Extra: []Extra{{Name: "a", Value: 5}, {Name: "b", Value: 2}}},
	})
	if len(out) != 1 || len(out[0].Extra) != 2 || out[0].Extra[0].Value != 1 || out[0].Extra[1].Name != "b" {
		t.Errorf("released %+v, want a=1 and b=2", out)
	}
	if out[0].Received != 2 {
		t.Errorf("received at %d, want 2, when its last part came in", out[0].Received)
	}
	if backing[1].Name != "x" {
		t.Error("wrote into the pusher's array")
	}
}

func TestOrdererAllocatesNothing(t *testing.T) {
	order := NewOrder(OrderOptions{})
	o := order.Orderer()
	r := Reading{Machine: "m"}
	nop := func(*Reading) {}
	if n := testing.AllocsPerRun(1000, func() {
		r.At += 60_000
		r.Received = r.At
		o.Push(&r, nop)
	}); n != 0 {
		t.Errorf("%v allocations a reading, want 0", n)
	}
}

func BenchmarkOrderer(b *testing.B) {
	order := NewOrder(OrderOptions{})
	machines := make([]Orderer, 10_000)
	for i := range machines {
		machines[i] = order.Orderer()
	}
	r := Reading{Machine: "m"}
	nop := func(*Reading) {}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if i++; i == len(machines) {
			i = 0
			r.Received += 60_000
			r.At += 60_000
		}
		machines[i].Push(&r, nop)
	}
}

// BenchmarkOrdererBackfill is a day of minutes delivered backwards.
func BenchmarkOrdererBackfill(b *testing.B) {
	order := NewOrder(OrderOptions{})
	o := order.Orderer()
	r := Reading{Machine: "m"}
	nop := func(*Reading) {}
	b.ReportAllocs()
	for b.Loop() {
		r.Received += 2 * 86_400_000
		for i := range Millis(1440) {
			r.At = r.Received - i*60_000
			o.Push(&r, nop)
		}
		o.Flush(nop)
	}
}
