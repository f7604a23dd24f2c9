package detect_test

import (
	"fmt"
	"testing"

	"coilward/collector"
	"coilward/detect"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/kin"
)

// taught is what six cabinets teach of their kind in five days, from a time on.
func taught(t *testing.T, number int, from collector.Millis) *kin.Version {
	t.Helper()
	built := diagnose.BuiltIn().Shares()
	e := kin.Evidence{Built: &built}
	for seed := range uint64(6) {
		s := spec()
		s.ID = fmt.Sprint("cab-", seed+10)
		m := detect.NewMachine(s, library)
		play(m, newCabinet(seed+10).live(5*day))
		sum, ok := m.Summary(detect.KinHours)
		if !ok {
			t.Fatalf("seed %d: a cabinet that was well for five days teaches nothing", seed)
		}
		e.Machines = append(e.Machines, sum)
	}
	e.Found[spec().Kind][fault.DoorLeak] = 30
	v := kin.Learn(e)
	v.Number, v.From = number, from
	return v
}

// A machine begins with the version in force at its first reading, whatever comes
// later, and a model that was stored goes on as it would have.
func TestMachineBeginsWithItsKind(t *testing.T) {
	v := taught(t, 1, midnight)
	late := taught(t, 2, midnight+day)
	early, both := library.WithKinds([]*kin.Version{v}), library.WithKinds([]*kin.Version{late, v})
	c := newCabinet(1)
	c.condBlocked = true // installed already faulty
	rs := c.live(2 * day)
	want := play(detect.NewMachine(spec(), early), rs)
	same(t, "a later version", play(detect.NewMachine(spec(), both), rs), want)

	m := detect.NewMachine(spec(), early)
	got := play(m, rs[:300])
	m.SetLibrary(both)
	state, err := m.AppendBinary(nil)
	if err != nil {
		t.Fatal(err)
	}
	restored := detect.NewMachine(spec(), both)
	if err := restored.UnmarshalBinary(state); err != nil {
		t.Fatal(err)
	}
	same(t, "stored and restored", append(got, play(restored, rs[300:])...), want)

	plain := play(newMachine(), rs)
	same(t, "a version of later than the first reading", play(detect.NewMachine(spec(), library.WithKinds([]*kin.Version{taught(t, 1, midnight+day)})), rs), plain)
	unlisted := spec()
	unlisted.Unlisted = true
	same(t, "a machine of unknown kind", play(detect.NewMachine(unlisted, early), rs), play(detect.NewMachine(unlisted, library), rs))

	if len(want) == 0 || want[0].At > midnight+8*hour {
		t.Errorf("a machine that was installed with a blocked condenser was noticed in %v", want)
	}
	if len(plain) > 0 && len(want) > 0 && plain[0].At < want[0].At {
		t.Errorf("without its kind it was noticed after %.1f h, with it after %.1f h", hours(plain[0].At), hours(want[0].At))
	}
}

func hours(at collector.Millis) float64 { return float64(at-midnight) / float64(hour) }

// A well machine that begins with its kind is left in peace, and soon believed.
func TestWellMachineOfItsKind(t *testing.T) {
	with := library.WithKinds([]*kin.Version{taught(t, 1, 0)})
	for seed := range uint64(4) {
		m := detect.NewMachine(spec(), with)
		if fs := play(m, newCabinet(seed).live(3*day)); len(fs) > 0 {
			t.Errorf("seed %d: %v of a well machine", seed, fs)
		}
	}
}

// A machine that was just plugged in, with warm product in it, has much to cool
// down and is not called faulty for it more than without its kind.
func TestWarmMachineOfItsKind(t *testing.T) {
	with := library.WithKinds([]*kin.Version{taught(t, 1, 0)})
	for seed := range uint64(4) {
		c := newCabinet(seed)
		c.air, c.product = 22, 22
		rs := c.live(2 * day)
		raised := func(l *detect.Library) (n int) {
			for _, f := range play(detect.NewMachine(spec(), l), rs) {
				if f.Change == detect.Raised {
					t.Logf("%v after %.1f h: %v", f.Fault, hours(f.At), f.Evidence)
					n++
				}
			}
			return n
		}
		if without, has := raised(library), raised(with); has > without {
			t.Errorf("seed %d: %d findings of a machine that was just plugged in, %d without its kind", seed, has, without)
		}
	}
}

// A machine in trouble, or watched for a short time only, teaches nothing.
func TestWhatTeachesNothing(t *testing.T) {
	m := newMachine()
	rs, _, to := story(3)
	for i := range rs {
		if rs[i].At > to-hour {
			break
		}
		m.Step(&rs[i], rs[i].Received, func(*detect.Finding) {})
	}
	if _, ok := m.Summary(1); ok {
		t.Error("a machine in trouble teaches its kind")
	}
	m = newMachine()
	play(m, newCabinet(3).live(2*day))
	if _, ok := m.Summary(detect.KinHours); ok {
		t.Errorf("two days are taken for %d hours", detect.KinHours)
	}
}
