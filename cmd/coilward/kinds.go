package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"coilward/detect"
	"coilward/detect/diagnose"
	"coilward/detect/fault"
	"coilward/detect/kin"
)

// kindsCommand groups what is done with what the fleet has taught of its kinds.
type kindsCommand struct {
	List   kindsList   `cmd:"" help:"List the versions: from when, learned from what. The last is in use."`
	Show   kindsShow   `cmd:"" help:"Show what a version says of each kind."`
	Export kindsExport `cmd:"" help:"Write a version as JSON."`
	Learn  kindsLearn  `cmd:"" help:"Learn from recorded messages, without a daemon."`
}

// kindsOf opens the ledger of a daemon, beside a running one too.
type kindsOf struct {
	Config string `default:"coilward.yaml" placeholder:"FILE" type:"path" help:"Configuration file."`
}

func (f *kindsOf) with(ctx context.Context, s *streams, what string, do func(versions []*kin.Version) error) int {
	err := func() error {
		conf, err := readConfig(f.Config)
		if err != nil {
			return err
		}
		versions, err := storedKinds(ctx, conf.DataDir)
		if err != nil {
			return err
		}
		return do(versions)
	}()
	return s.failed("kinds "+what, err)
}

// one writes version n, the one in use if n is 0.
func (f *kindsOf) one(ctx context.Context, s *streams, what string, n int, write func(io.Writer, *kin.Version) error) int {
	return f.with(ctx, s, what, func(versions []*kin.Version) error {
		v, err := chooseVersion(versions, n)
		if err != nil {
			return err
		}
		return write(s.out, v)
	})
}

type kindsList struct{ kindsOf }

func (c *kindsList) run(ctx context.Context, s *streams) int {
	return c.with(ctx, s, "list", func(versions []*kin.Version) error {
		if len(versions) == 0 {
			fmt.Fprintf(s.out, "Nothing was learned yet: %d machines of a kind must have been well for %d hours. All machines begin with what is built in.\n", kin.Least, detect.KinHours)
			return nil
		}
		w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
		for i, v := range versions {
			inUse := ""
			if i == len(versions)-1 {
				inUse = "in use"
			}
			fmt.Fprintf(w, "%d\tfrom %s\t%s\t%s\t%s\n", v.Number, fromWords(v), sourceWords(v), v.Program, inUse)
		}
		return w.Flush()
	})
}

func fromWords(v *kin.Version) string { return v.From.Time().UTC().Format(time.DateTime + " UTC") }

// sourceWords say what a version was learned from.
func sourceWords(v *kin.Version) string {
	var of []string
	for _, name := range slices.Sorted(maps.Keys(v.Kinds)) {
		k := v.Kinds[name]
		visits := 0
		for _, n := range k.Found {
			visits += n
		}
		of = append(of, fmt.Sprintf("%s %d %s, %d %s", name, k.Machines, plural(k.Machines, "machine"), visits, plural(visits, "visit")))
	}
	return strings.Join(of, "; ")
}

// chooseVersion returns version n, the last if n is 0.
func chooseVersion(versions []*kin.Version, n int) (*kin.Version, error) {
	if len(versions) == 0 {
		return nil, errors.New("nothing was learned yet; coilward kinds list says what it takes")
	}
	if n == 0 {
		return versions[len(versions)-1], nil
	}
	for _, v := range versions {
		if v.Number == n {
			return v, nil
		}
	}
	return nil, fmt.Errorf("there is no version %d; coilward kinds list tells which there are", n)
}

type kindsShow struct {
	kindsOf
	Version int `arg:"" optional:"" placeholder:"N" help:"The version; the one in use if left out."`
}

func (c *kindsShow) run(ctx context.Context, s *streams) int {
	return c.one(ctx, s, "show", c.Version, writeKinds)
}

// writeKinds shows a version to a person.
func writeKinds(out io.Writer, v *kin.Version) error {
	fmt.Fprintf(out, "version %d, from %s, learned by coilward %s\n", v.Number, fromWords(v), v.Program)
	for _, name := range slices.Sorted(maps.Keys(v.Kinds)) {
		k := v.Kinds[name]
		fmt.Fprintf(out, "\n%s: %d well %s, %.0f machine-days", name, k.Machines, plural(k.Machines, "machine"), k.Hours/24)
		if len(k.Levels) > 0 {
			fmt.Fprintf(out, "; %.1f %% of levels beyond 2 standard deviations of what the others say (normal: 4.6 %%)", 100*k.Outside)
		}
		fmt.Fprintln(out)
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		if len(k.Levels) > 0 {
			fmt.Fprintln(w, "  level\tcentre\tbetween machines\tof a machine's readings\tmachines")
		}
		for _, l := range slices.Sorted(maps.Keys(k.Levels)) {
			s := k.Levels[l]
			fmt.Fprintf(w, "  %s\t%.3g\t± %.2g\t± %.2g\t%d\n", l, s.Centre, s.Between, s.Within, s.Machines)
		}
		if err := w.Flush(); err != nil {
			return err
		}
		writeShares(out, k)
	}
	return nil
}

// writeShares shows what the visits made of the shares of the faults.
func writeShares(out io.Writer, k *kin.Kind) {
	if len(k.Shares) == 0 {
		fmt.Fprintln(out, "  no visit has found a fault: the built-in shares hold")
		return
	}
	visits := 0
	for f, n := range k.Found {
		if f != fault.Well.String() {
			visits += n
		}
	}
	built := diagnose.BuiltIn().Shares()
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "  fault\tshare of all faults\tbuilt in\tfound at visits\n")
	for f, b := range built {
		if b > 0 {
			name := fault.Fault(f).String()
			share := k.Shares[name]
			fmt.Fprintf(w, "  %s\t%.3f ± %.3f\t%.2f\t%d\n", name, share, kin.ShareSD(share, kin.ShareWeight+float64(visits)), b, k.Found[name])
		}
	}
	w.Flush()
	if n := k.Found[fault.Well.String()]; n > 0 {
		fmt.Fprintf(out, "  %d more %s found nothing wrong\n", n, plural(n, "visit"))
	}
}

type kindsExport struct {
	kindsOf
	Version int `placeholder:"N" help:"The version; the one in use if left out."`
}

func (c *kindsExport) run(ctx context.Context, s *streams) int {
	return c.one(ctx, s, "export", c.Version, encodeVersion)
}

func encodeVersion(out io.Writer, v *kin.Version) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// kindsLearn is the command line of kinds learn.
type kindsLearn struct {
	Fleet string   `required:"" placeholder:"FILE" type:"path" help:"Fleet file of the recording."`
	Hours float64  `default:"72" placeholder:"H" help:"Learn from machines that were well for so many hours."`
	Files []string `arg:"" name:"file" help:"Recorded messages, as replay takes them."`
}

// Help is the longer text.
func (kindsLearn) Help() string {
	return `Runs recorded messages through the models and prints what the machines that were well teach of their kinds, as kinds export does. The result is for replay and assess: it holds for machines from their first reading on, whenever that was.

Example:
  coilward simulate --out fleet --machines 120 --days 6 --faults 0
  coilward kinds learn --fleet fleet/fleet.yaml fleet/messages.ndjson.gz > kinds.json
  coilward assess --kinds kinds.json another`
}

func (c *kindsLearn) run(ctx context.Context, s *streams) int {
	fail := func(err error) int {
		fmt.Fprintf(s.err, "coilward kinds learn: %v\n", err)
		return statusFailed
	}
	f, ok := readFleet(c.Fleet, s)
	if !ok {
		return statusUsage
	}
	r := &replay{fleet: f, stdin: s.in, out: bufio.NewWriter(io.Discard), errors: s.err}
	var mu sync.Mutex
	shares := diagnose.BuiltIn().Shares()
	e := kin.Evidence{Built: &shares}
	r.ending = func() {
		r.pipe.models.Summarise(c.Hours, func(of []kin.Summary) {
			mu.Lock()
			defer mu.Unlock()
			e.Machines = append(e.Machines, of...)
		})
	}
	for _, name := range c.Files {
		if _, err := os.Stat(name); err != nil && name != "-" {
			return fail(err)
		}
	}
	if err := r.files(ctx, c.Files); err != nil {
		return fail(err)
	}
	r.summary()
	v := kin.Learn(e)
	if v == nil {
		return fail(fmt.Errorf("%d machines were well for %g hours; there must be %d of a kind", len(e.Machines), c.Hours, kin.Least))
	}
	v.Number, v.From, v.Program = 1, 0, version()
	if err := encodeVersion(s.out, v); err != nil {
		return fail(err)
	}
	return statusOK
}
