package history

import (
	"math"
	"math/big"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"coilward/collector"
)

// Values as probes give them: a few decimals.
func decimals() *rapid.Generator[float64] {
	return rapid.Custom(func(t *rapid.T) float64 {
		digits := rapid.IntRange(0, 3).Draw(t, "digits")
		return float64(rapid.IntRange(-90_000, 90_000).Draw(t, "number")) / pow10[digits]
	})
}

// Figures are exact, whatever order the values come in and however they are
// brought together. The sum is held against rational arithmetic.
func TestFiguresAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(decimals(), 1, 200).Draw(t, "values")
		var one Figures
		sum := new(big.Rat)
		for _, v := range values {
			one.add(v)
			exact, _ := new(big.Rat).SetString(strconv.FormatFloat(v, 'f', -1, 64))
			sum.Add(sum, exact)
		}
		if want, _ := sum.Float64(); one.Sum != want || one.Count != len(values) || one.Min != slices.Min(values) || one.Max != slices.Max(values) {
			t.Fatalf("%+v of %v, want the sum %v", one, values, want)
		}
		rand.New(rand.NewPCG(1, uint64(len(values)))).Shuffle(len(values), func(i, j int) { values[i], values[j] = values[j], values[i] })
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		var a, b Figures
		for _, v := range values[:cut] {
			a.add(v)
		}
		for _, v := range values[cut:] {
			b.add(v)
		}
		if a.merge(&b); a != one {
			t.Fatalf("in two parts %+v, in one %+v", a, one)
		}
	})
}

func TestFiguresOfOddValues(t *testing.T) {
	var f Figures
	for _, v := range []float64{math.NaN(), math.Inf(1), 1.0 / 3, math.MaxFloat64, -1e300, 0.1} {
		f.add(v)
	}
	if f.Count != 4 || f.Min != -1e300 || f.Max != math.MaxFloat64 || f.form != rawForm {
		t.Errorf("%+v", f)
	}
	f = Figures{}
	f.add(1 << 52) // as a whole number it is exact, in thousandths it is not
	f.add(0.125)
	if f.Count != 2 || f.Max != 1<<52 || f.Min != 0.125 || f.Sum != 1<<52+0.125 {
		t.Errorf("%+v", f)
	}
}

// A day comes back as it was stored, and no damage of it goes unnoticed.
func TestSummaryDayComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const day = 20_635 // 2026-07-01
		d := summaryDay{day: day}
		for range rapid.IntRange(1, 400).Draw(t, "readings") {
			r := collector.Reading{Machine: "cab-1", Site: rapid.SampledFrom([]string{"oakmill", "harbour"}).Draw(t, "site")}
			r.At = day*dayMillis + collector.Millis(rapid.IntRange(0, dayMillis-1).Draw(t, "at"))
			switch rapid.IntRange(0, 9).Draw(t, "kind") {
			case 0:
				r.Status = collector.Offline
			case 1:
				r.Extra = []collector.Extra{{Name: rapid.SampledFrom([]string{"vibration", "lux"}).Draw(t, "name"), Unit: "lx", Value: decimals().Draw(t, "extra")}}
			default:
				for range rapid.IntRange(1, 4).Draw(t, "channels") {
					c := collector.Channel(rapid.IntRange(0, collector.NumChannels-1).Draw(t, "channel"))
					r.Has, r.Value[c] = r.Has.With(c), rapid.OneOf(decimals(), rapid.Float64Range(-1e9, 1e9)).Draw(t, "value")
				}
			}
			d.find("cab-1", summaryStart(r.At)).take(&r)
		}
		stored := d.marshal(nil)
		back := summaryDay{day: day}
		if err := back.unmarshal("cab-1", stored); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(back, d) {
			t.Fatalf("got %+v\nwant %+v", back, d)
		}
		n := rapid.IntRange(0, len(stored)-1).Draw(t, "byte")
		stored[n] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		if err := back.unmarshal("cab-1", stored); err == nil {
			t.Fatalf("a bit of byte %d was turned over, and nothing was said", n)
		}
	})
}

// What is stored may be anything: it is an error, never a crash.
func FuzzSummaryDay(f *testing.F) {
	d := summaryDay{day: 20_635}
	r := collector.Reading{Machine: "cab-1", Site: "oakmill", At: 20_635 * dayMillis, Has: 1}
	d.find("cab-1", r.At).take(&r)
	f.Add(d.marshal(nil)[5:])
	f.Fuzz(func(t *testing.T, p []byte) {
		head := append([]byte{1, 0, 0, 0, 0}, p...)
		seal(head)
		back := summaryDay{day: 20_635}
		if err := back.unmarshal("cab-1", head); err == nil && !slices.IsSortedFunc(back.rows, func(a, b Summary) int { return int(a.Start - b.Start) }) {
			t.Errorf("summaries out of order: %+v", back)
		}
	})
}
