package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"time"

	"coilward/alerts/ledger"
	"coilward/collector"
	"coilward/collector/fleet"
	"coilward/detect"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/kin"
)

// kindsSetting is the name under which the ledger keeps the versions of what the
// fleet has taught of its kinds.
const kindsSetting = "kinds"

const (
	kindsEvery = 24 * time.Hour
	kindsRetry = time.Hour // while there is too little to learn from
)

// kindsIn returns the versions that a ledger keeps, oldest first.
func kindsIn(ctx context.Context, l *ledger.Ledger) ([]*kin.Version, error) {
	kept, err := l.Versions(ctx, kindsSetting)
	if err != nil {
		return nil, err
	}
	slices.Reverse(kept)
	out := make([]*kin.Version, 0, len(kept))
	for _, s := range kept {
		v, err := kin.Parse(s.Body)
		if err != nil {
			return nil, fmt.Errorf("version %d in the ledger: %w", s.Version, err)
		}
		v.Number = s.Version
		out = append(out, v)
	}
	return out, nil
}

// storedKinds returns the versions by the ledger of a data folder; none where
// there is no ledger.
func storedKinds(ctx context.Context, data string) ([]*kin.Version, error) {
	return fromLedger(ctx, data, kindsIn)
}

// readKinds reads versions from a file, one as kinds export writes it or a list.
func readKinds(name string) ([]*kin.Version, error) {
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	list := []json.RawMessage{b}
	if len(b) > 0 && b[0] == '[' {
		if err := json.Unmarshal(b, &list); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	out := make([]*kin.Version, 0, len(list))
	for _, one := range list {
		v, err := kin.Parse(one)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, v)
	}
	return out, nil
}

// kinds returns what was known of kinds, from the file that the daemon wrote for a
// trial if there is one.
func (c *trialCommand) kinds(ctx context.Context, data string) ([]*kin.Version, error) {
	if c.Kinds == "" {
		return storedKinds(ctx, data)
	}
	return readKinds(c.Kinds)
}

// knowing is the program's library with what is known of kinds.
func knowing(kinds []*kin.Version) *detect.Library {
	l := detect.NewLibrary()
	if len(kinds) > 0 {
		l = l.WithKinds(kinds)
	}
	return l
}

// kindsState is what the daemon knows of kinds. Only the chores' goroutine
// changes it.
type kindsState struct {
	versions []*kin.Version
	tried    time.Time // when it was last learned, or tried to
	wait     time.Duration
}

// knownKinds reads what was learned before.
func (d *daemon) knownKinds(ctx context.Context) error {
	versions, err := kindsIn(ctx, d.ledger)
	if err != nil {
		return err
	}
	d.kinds.versions = versions
	if len(versions) > 0 {
		d.kinds.tried, d.kinds.wait = versions[len(versions)-1].From.Time(), kindsEvery
	}
	d.library.Store(knowing(versions))
	return nil
}

// kindsDue is a chore: once a day what the fleet teaches of its kinds is looked
// at, and kept if it is other than before.
func (d *daemon) kindsDue(ctx context.Context) {
	now := d.clock.Now()
	if now.Sub(d.kinds.tried) < d.kinds.wait {
		return
	}
	d.kinds.tried, d.kinds.wait = now, kindsEvery
	v, err := d.learnKinds(ctx, detect.KinHours)
	switch {
	case err != nil && ctx.Err() == nil:
		d.log.Error().Err(err).Msg("what the fleet teaches of its kinds cannot be kept; tried again in an hour")
		d.kinds.wait = kindsRetry
	case err == nil && v != nil:
		d.log.Info().Int("version", v.Number).Msg("machines that begin from now on begin with what the fleet has taught of their kind")
	case len(d.kinds.versions) == 0:
		d.kinds.wait = kindsRetry
	}
}

// learnKinds makes a version of what the machines that were well for so many
// hours, and the visits, teach; nil if there is nothing new. It holds for
// readings received from a moment on at which none is under way, so that a
// replay knows for every machine with which version it began.
func (d *daemon) learnKinds(ctx context.Context, hours float64) (*kin.Version, error) {
	e := kin.Evidence{}
	shares := diagnose.BuiltIn().Shares()
	e.Built = &shares
	var err error
	if e.Machines, err = d.pipe.models.Summaries(ctx, hours); err != nil {
		return nil, err
	}
	if e.Found, err = d.found(ctx); err != nil {
		return nil, err
	}
	v := kin.Learn(e)
	var last *kin.Version
	if n := len(d.kinds.versions); n > 0 {
		last = d.kinds.versions[n-1]
		if v != nil {
			v.Number = last.Number
		}
	}
	if v == nil || !kin.Differs(last, v) {
		return nil, nil
	}
	base := v.Number
	v.Number, v.Program = base+1, version()
	now := d.clock.Now()
	err = d.gate.alone(ctx, collector.MillisOf(now), func(received collector.Millis) error {
		v.From = received + 1
		body, err := json.Marshal(v)
		if err != nil {
			return err
		}
		why := fmt.Sprintf("learned from %d well machines and %d visits", len(e.Machines), visitsFound(&e.Found))
		if _, err := d.ledger.Save(ctx, ledger.Setting{Name: kindsSetting, At: now, Who: "coilward", Why: why, Body: body}, base); err != nil {
			return err
		}
		// Clipped: readers of the old library keep their list.
		d.kinds.versions = append(slices.Clip(d.kinds.versions), v)
		d.library.Store(knowing(d.kinds.versions))
		d.feeding.Lock()
		defer d.feeding.Unlock()
		d.pipe.models.SetLibrary(d.library.Load())
		return d.pipe.models.Flush(ctx)
	})
	if err != nil {
		return nil, err
	}
	return v, nil
}

// found counts what people found at the machines of each kind.
func (d *daemon) found(ctx context.Context) (n [fleet.NumKinds]kin.Found, err error) {
	visits, err := visitsIn(ctx, d.ledger)
	if err != nil {
		return n, err
	}
	f := d.fleet.Load()
	for _, v := range visits {
		if m, ok := f.Machine(v.Machine); ok && v.Fault <= fault.SensorFault {
			n[m.Kind][v.Fault]++
		}
	}
	return n, nil
}

func visitsFound(found *[fleet.NumKinds]kin.Found) (n int) {
	for k := range found {
		for _, c := range found[k] {
			n += c
		}
	}
	return n
}
