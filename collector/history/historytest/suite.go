// Package historytest holds what every history must do, as tests.
package historytest

import (
	"context"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/history"
)

// Ranger is a history that can be read by machine and time.
type Ranger interface {
	Append(ctx context.Context, readings []collector.Reading) error
	Range(ctx context.Context, machine string, from, to collector.Millis, each func(*history.Entry) error) error
}

// Keeper is a history that also keeps the order of arrival.
type Keeper interface {
	Ranger
	Arrivals(ctx context.Context, machine string, from, to collector.Millis, each func(*history.Entry) error) error
	Arrived(ctx context.Context, machines map[string]bool, from, to collector.Millis, each func(*history.Entry) error) error
	Since(ctx context.Context, seq uint64, each func(*history.Entry) error) error
	Newest(ctx context.Context, d time.Duration, each func(*history.Entry) error) error
	Machines() []history.Span
	LastSeq() uint64
}

// Start is when the readings of the suite begin: 2026-07-01, 00:00 UTC.
const Start collector.Millis = 1_782_864_000_000

// Reading returns a reading of the standard set, measured n minutes after Start
// and received a little later.
func Reading(machine string, n int) collector.Reading {
	r := collector.Reading{
		Machine: machine, Site: "oakmill",
		At:       Start.Add(time.Duration(n) * time.Minute),
		Received: Start.Add(time.Duration(n)*time.Minute + time.Duration(150+n*37%400)*time.Millisecond),
	}
	set := func(c collector.Channel, v float64) { r.Has, r.Value[c] = r.Has.With(c), v }
	// A cabinet that cycles, at the resolution of its probes.
	phase := 2 * math.Pi * float64(n%23) / 23
	set(collector.CabinetAir, math.Round((3.4+1.5*math.Sin(phase))*10)/10)
	set(collector.CoilOut, math.Round((-7.9+4*math.Cos(phase))*10)/10)
	set(collector.CompressorCurrent, math.Round(max(0, 2.9*math.Sin(phase))*100)/100)
	set(collector.Ambient, math.Round((24.1+3*math.Sin(float64(n)/230))*10)/10)
	set(collector.Door, float64(n/7%11/10))
	return r
}

// RunRanger tests reading by machine and time; open returns an empty history.
func RunRanger(t *testing.T, open func(t *testing.T) Ranger) {
	t.Run("values come back as they were", func(t *testing.T) {
		h := open(t)
		want := odd()
		appendAll(t, h, want...)
		got := ranged(t, h, "cab-1", Start, Start.Add(24*time.Hour))
		equal(t, got, want)
	})
	t.Run("a range is half open and of one machine", func(t *testing.T) {
		h := open(t)
		var want []collector.Reading
		for n := range 30 {
			appendAll(t, h, Reading("cab-1", n), Reading("cab-10", n))
			if n >= 10 && n < 20 {
				want = append(want, Reading("cab-1", n))
			}
		}
		equal(t, ranged(t, h, "cab-1", want[0].At, want[9].At+1), want)
		equal(t, ranged(t, h, "cab-1", want[0].At, want[9].At), want[:9])
		equal(t, ranged(t, h, "cab-2", Start, Start.Add(time.Hour)), nil)
	})
	t.Run("late and backfilled readings are in their place", func(t *testing.T) {
		h := open(t)
		var want []collector.Reading
		for n := range 12 {
			want = append(want, Reading("cab-1", n*180)) // 33 hours
		}
		backfill := slices.Clone(want[2:7])
		for i := range backfill {
			backfill[i].Received = want[11].Received + 1
			want[2+i] = backfill[i]
		}
		appendAll(t, h, want[:2]...)
		for _, r := range want[7:] {
			appendAll(t, h, r) // each ends an hour
		}
		appendAll(t, h, backfill...)
		appendAll(t, h, Reading("cab-1", 40*60))
		equal(t, ranged(t, h, "cab-1", Start, want[11].At+1), want)
		equal(t, ranged(t, h, "cab-1", want[3].At, want[5].At), want[3:5])
	})
	t.Run("the same again changes nothing", func(t *testing.T) {
		h := open(t)
		first := Reading("cab-1", 1)
		again := first
		again.Received += 90 * 60_000
		again.Value[collector.CabinetAir] = 9
		more := collector.Reading{Machine: "cab-1", Site: "oakmill", At: first.At, Received: again.Received + 1, Has: collector.ChannelSet(0).With(collector.Humidity).With(collector.Door)}
		more.Value[collector.Humidity] = 40
		more.Value[collector.Door] = 1
		appendAll(t, h, first)
		appendAll(t, h, again)
		appendAll(t, h, more)
		values := map[collector.Channel][]float64{}
		for _, r := range ranged(t, h, "cab-1", Start, Start.Add(time.Hour)) {
			for c := range r.Has.All {
				values[c] = append(values[c], r.Value[c])
			}
		}
		for c := range first.Has.All {
			if got := values[c]; len(got) != 1 || got[0] != first.Value[c] {
				t.Errorf("%v: %v, want only %v", c, got, first.Value[c])
			}
		}
		if got := values[collector.Humidity]; len(got) != 1 || got[0] != 40 {
			t.Errorf("humidity, which came later for the same instant: %v, want [40]", got)
		}
	})
}

// RunKeeper tests all of a history.
func RunKeeper(t *testing.T, open func(t *testing.T) Keeper) {
	RunRanger(t, func(t *testing.T) Ranger { return open(t) })
	t.Run("arrivals keep their order and numbers", func(t *testing.T) {
		h := open(t)
		want := mixed(600) // ten hours, with backfill among them
		for chunk := range slices.Chunk(want, 7) {
			appendAll(t, h, chunk...)
		}
		for _, seq := range []uint64{0, 1, 599, uint64(len(want)) - 1, uint64(len(want))} {
			var got []collector.Reading
			next := seq
			err := h.Since(t.Context(), seq, func(e *history.Entry) error {
				if next++; e.Seq != next {
					t.Fatalf("since %d: reading %d where %d should be", seq, e.Seq, next)
				}
				got = append(got, clone(e.Reading))
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			equal(t, got, want[seq:])
		}
		if got := h.LastSeq(); got != uint64(len(want)) {
			t.Errorf("last sequence number %d, want %d", got, len(want))
		}
		from, to := Start.Add(2*time.Hour), Start.Add(5*time.Hour)
		var wanted, got []collector.Reading
		for _, r := range want {
			if r.Machine == "cab-2" && r.Received >= from && r.Received < to {
				wanted = append(wanted, r)
			}
		}
		err := h.Arrivals(t.Context(), "cab-2", from, to, func(e *history.Entry) error {
			got = append(got, clone(e.Reading))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		equal(t, got, wanted)

		for _, machines := range []map[string]bool{nil, {"cab-1": true, "cab-3": true}, {}} {
			wanted, got = nil, nil
			for _, r := range want {
				if (machines == nil || machines[r.Machine]) && r.Received >= from && r.Received < to {
					wanted = append(wanted, r)
				}
			}
			err := h.Arrived(t.Context(), machines, from, to, func(e *history.Entry) error {
				got = append(got, clone(e.Reading))
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			equal(t, got, wanted)
		}
	})
	t.Run("the newest hours of each machine", func(t *testing.T) {
		h := open(t)
		for n := range 300 {
			appendAll(t, h, Reading("cab-1", n))
			if n < 100 {
				appendAll(t, h, Reading("cab-2", n))
			}
		}
		count := map[string]int{}
		err := h.Newest(t.Context(), 2*time.Hour, func(e *history.Entry) error { count[e.Machine]++; return nil })
		if err != nil {
			t.Fatal(err)
		}
		if count["cab-1"] < 119 || count["cab-1"] > 121 || count["cab-2"] != 100 {
			t.Errorf("two hours are %v readings, want about 120, and all 100", count)
		}
		m := h.Machines()
		if len(m) != 2 || m[1].Machine != "cab-2" || m[1].FirstAt != Start || m[1].LastAt != Reading("cab-2", 99).At || m[0].Site != "oakmill" {
			t.Errorf("machines %+v", m)
		}
	})
}

// odd returns readings that are hard to keep exactly.
func odd() []collector.Reading {
	r := make([]collector.Reading, 8)
	for i := range r {
		r[i] = Reading("cab-1", i)
	}
	set := func(i int, c collector.Channel, v float64) { r[i].Has, r[i].Value[c] = r[i].Has.With(c), v }
	set(0, collector.CabinetAir, math.Copysign(0, -1))
	set(1, collector.CabinetAir, 0.1+0.2)
	set(2, collector.CabinetAir, math.SmallestNonzeroFloat64)
	set(3, collector.Energy, 999_999_999_999.9)
	set(4, collector.Energy, math.MaxFloat64)
	set(5, collector.CabinetAir, 36.6-(273.15-273.1))
	r[6] = collector.Reading{Machine: "cab-1", Site: "oakmill", At: r[6].At, Received: r[6].Received, Status: collector.Offline}
	r[7].Extra = []collector.Extra{{Name: "vibration", Unit: "m/s2", Value: 1.0 / 3}, {Name: "firmware", Text: "a \"b\",\\ =c\n"}}
	return r
}

// mixed returns readings of three machines in the order of arrival, one of
// which was cut off and sends hours at once.
func mixed(minutes int) []collector.Reading {
	var all, kept []collector.Reading
	for n := range minutes {
		all = append(all, Reading("cab-1", n), Reading("cab-2", n))
		r := Reading("cab-3", n)
		if n > 60 && n < 400 {
			kept = append(kept, r)
			continue
		}
		for i := range kept {
			kept[i].Received = r.Received
		}
		all, kept = append(append(all, kept...), r), nil
	}
	return all
}

func appendAll(t *testing.T, h Ranger, r ...collector.Reading) {
	t.Helper()
	if err := h.Append(t.Context(), r); err != nil {
		t.Fatal(err)
	}
}

func ranged(t *testing.T, h Ranger, machine string, from, to collector.Millis) (got []collector.Reading) {
	t.Helper()
	err := h.Range(t.Context(), machine, from, to, func(e *history.Entry) error {
		got = append(got, clone(e.Reading))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func clone(r collector.Reading) collector.Reading {
	r.Extra = slices.Clone(r.Extra)
	return r
}

// equal compares to the last bit.
func equal(t *testing.T, got, want []collector.Reading) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d readings, want %d", len(got), len(want))
	}
	for i := range got {
		if !Same(got[i], want[i]) {
			t.Fatalf("reading %d\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
}

// Same reports whether two readings are equal to the last bit.
func Same(a, b collector.Reading) bool {
	for c := range a.Has.All {
		if math.Float64bits(a.Value[c]) != math.Float64bits(b.Value[c]) {
			return false
		}
	}
	a.Value, b.Value = [collector.NumChannels]float64{}, [collector.NumChannels]float64{}
	return reflect.DeepEqual(a, b)
}
