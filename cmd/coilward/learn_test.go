package main

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"coilward/collector/racetest"
	"coilward/detect/diagnose"
	"coilward/detect/learn"
)

// invoke runs coilward and returns what it printed.
func invoke(t *testing.T, want int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(t.Context(), args, &streams{strings.NewReader(""), &out, &errs}); got != want {
		t.Fatalf("%s: status %d, not %d: %s", args[0], got, want, errs.String())
	}
	return out.String(), errs.String()
}

// smallFleets writes small fleets in which every state occurs.
func smallFleets(t *testing.T) (reference string, others []string) {
	t.Helper()
	root := t.TempDir()
	of := func(name string, more ...string) string {
		dir := filepath.Join(root, name)
		invoke(t, statusOK, append([]string{"simulate", "--out", dir, "--days", "2", "--interval", "300", "--faults", "1"}, more...)...)
		return dir
	}
	return of("r", "--machines", "40", "--seed", "2"), []string{
		of("a", "--machines", "120", "--seed", "1"),
		of("b", "--machines", "4", "--seed", "5", "--only", "condenser-fan-stopped"),
		of("c", "--machines", "4", "--seed", "5", "--only", "thermostat-stuck-off"),
	}
}

// A table learned from a small fleet knows more of the machines that were left out
// than how common each state is; the same fleets and seed give the same file, and
// it says which they were.
func TestLearn(t *testing.T) {
	if racetest.Enabled {
		t.Skip("two whole fits; TestExamplesOfReferenceAndOthers and the tests of detect/learn run their goroutines")
	}
	reference, others := smallFleets(t)
	args := append([]string{"learn", "--fits", "2", "--units", "8", "--steps", "180", "--looks", "0.3", "--life", "1", "--reference", reference + "=1", "--holdout"}, others...)
	var files [2][]byte
	var out, errs string
	for i := range files {
		name := filepath.Join(t.TempDir(), "table.json")
		out, errs = invoke(t, statusOK, append(args, "--out", name)...)
		var err error
		if files[i], err = os.ReadFile(name); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(files[0], files[1]) {
		t.Error("the same fleets and seed give another table")
	}
	table, err := diagnose.ParseTable(files[0])
	if err != nil {
		t.Fatal(err)
	}
	version := regexp.MustCompile(`^learned with seed 1, the mean of 2 fits of 8 units in 180 steps, ordinary life × 1, 0\.3 of the looks from simulated \(40 machines, 2 days, seed 2, reference, half held out, weight 1, [0-9a-f]{12}\), simulated \(120 machines, 2 days, seed 1, weight 1, [0-9a-f]{12}\), simulated \(4 `)
	if !version.MatchString(table.Version) {
		t.Errorf("version is %q", table.Version)
	}
	t.Logf("\n%s%s", errs, out)
	// Well life has 0.45, the three pieces of ordinary life 0.2 and the thirteen
	// faults 0.35 of the weight: to know nothing but that loses their entropy.
	nothing := -0.45*math.Log(0.45) - 0.2*math.Log(0.2/3) - 0.35*math.Log(0.35/13)
	learned := nats(t, out, "held out", "learned")
	if learned > 0.75*nothing {
		t.Errorf("at machines that were left out the table loses %.3f nats a look, of %.3f by knowing nothing", learned, nothing)
	}
	if by := nats(t, out, "learned from", "learned"); by > learned {
		t.Errorf("the table knows what was left out better (%.3f nats) than what it learned from (%.3f)", learned, by)
	}
}

// nats finds a table's loss in the report of learn.
func nats(t *testing.T, report, looks, table string) float64 {
	t.Helper()
	for line := range strings.Lines(report) {
		cells := regexp.MustCompile(` {2,}`).Split(strings.TrimSpace(line), -1)
		if cells[0] == looks && cells[1] == table {
			x, err := strconv.ParseFloat(cells[len(cells)-1], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
	}
	t.Fatalf("no line of %s, %s in\n%s", looks, table, report)
	return math.NaN()
}

// A reference fleet counts more and is learned from in copies, half of it if so
// asked; another only as it is.
func TestExamplesOfReferenceAndOthers(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "fleet")
	invoke(t, statusOK, "simulate", "--out", dir, "--machines", "10", "--days", "1", "--seed", "4", "--faults", "1", "--interval", "120")
	var out, errs bytes.Buffer
	s := &streams{strings.NewReader(""), &out, &errs}
	l, err := readLabelled(context.Background(), dir, s)
	if err != nil {
		t.Fatal(err)
	}
	take := func(p samplePlan) (fleets, held []learn.Fleet) {
		p.seed, p.looks, p.weight = 1, 1, 4
		fleets, held, err := l.examples(context.Background(), p)
		if err != nil {
			t.Fatal(err)
		}
		return fleets, held
	}
	whole, none := take(samplePlan{copies: learn.Copies()})
	if len(none) != 0 {
		t.Fatalf("%d fleets are held out unasked", len(none))
	}
	names := map[string]learn.Fleet{}
	for _, f := range whole {
		names[f.Name] = f
	}
	for name, weight := range map[string]float64{"fleet": 4, "fleet basic": 4 * 0.35, "fleet standard": 4 * 0.3, "fleet mix": 4 * 0.5, "fleet slow": 4 * 0.5} {
		f, ok := names[name]
		if !ok || f.Weight != weight || len(f.Examples) == 0 {
			t.Errorf("%s: weight %g, %d examples; want weight %g", name, f.Weight, len(f.Examples), weight)
		}
	}
	if len(whole) != 5 {
		t.Errorf("%d fleets, want the fleet and four copies", len(whole))
	}
	half, held := take(samplePlan{copies: learn.Copies(), holdout: true})
	if a, b, all := len(half[0].Examples), len(held[0].Examples), len(whole[0].Examples); a == 0 || b == 0 || a+b != all {
		t.Errorf("%d examples to learn from and %d held out, of %d", a, b, all)
	}
	if a, b, all := half[0].Episodes(), held[0].Episodes(), whole[0].Episodes(); a+b != all {
		t.Errorf("%d episodes to learn from and %d held out, of %d", a, b, all)
	}
	other, _ := take(samplePlan{others: true})
	if len(other) != 1 || len(other[0].Examples) >= len(whole[0].Examples) {
		t.Errorf("%d fleets of one that is no reference, with %d examples", len(other), len(other[0].Examples))
	}
}

func TestWeightedFolder(t *testing.T) {
	for text, want := range map[string]weightedFolder{
		"a":        {"a", 0},
		"a=1.5":    {"a", 1.5},
		"a=b/c=15": {"a=b/c", 15},
	} {
		var got weightedFolder
		if err := got.UnmarshalText([]byte(text)); err != nil || got != want {
			t.Errorf("%q is %+v, %v", text, got, err)
		}
	}
	for _, text := range []string{"a=", "a=b", "a=0", "a=-1", "a=NaN", "a=+Inf"} {
		var got weightedFolder
		if err := got.UnmarshalText([]byte(text)); err == nil || !strings.Contains(err.Error(), "a number above 0") {
			t.Errorf("%q is %+v, %v", text, got, err)
		}
	}
	// What was left out of the command line is the default.
	f := weightedFolder{dir: "a"}
	if f.weightOr(15) != 15 || (&weightedFolder{"a", 2}).weightOr(15) != 2 {
		t.Error("the weight that was given does not win, or the default does not stand in")
	}
}

// What cannot be learned from is said at once.
func TestLearnSaysWhatIsMissing(t *testing.T) {
	for want, args := range map[string][]string{
		"name folders that simulate": {},
		"--reference":                {"--holdout", "a"},
		"share above 0":              {"--looks", "0", "a"},
		"128 in all":                 {"--fits", "3", "a"},
	} {
		_, errs := invoke(t, statusFailed, append([]string{"learn", "--out", "table.json"}, args...)...)
		if !strings.Contains(errs, want) {
			t.Errorf("%v: %s", args, errs)
		}
	}
}
