package fleet_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coilward/collector"
	"coilward/collector/fleet"
)

var update = flag.Bool("update", false, "write the messages of the bad files anew")

func parse(t *testing.T, name string) *fleet.Fleet {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	f, err := fleet.Parse(name, data)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestParseContractExample(t *testing.T) {
	f := parse(t, "contract.yaml")
	s, ok := f.Site("oakmill")
	if !ok || s.Name != "Oak Mill Works, canteen" || s.Latitude != 40.44 || s.Longitude != -79.99 || !s.Located || s.Location.String() != "America/New_York" {
		t.Errorf("site is %+v", s)
	}
	m, ok := f.Machine("cab-0417")
	if !ok {
		t.Fatal("cab-0417 is not there")
	}
	channels := collector.ChannelSet(0).With(collector.CabinetAir).With(collector.CoilOut).With(collector.CompressorCurrent).
		With(collector.Ambient).With(collector.Door)
	if m.Site != "oakmill" || m.Kind != fleet.GlassDoor || m.Product != fleet.SealedBeverage || m.Limits != (fleet.Limits{Warm: 7, Cold: -1}) ||
		*m.Setpoint != 3 || *m.Differential != 3 || m.Refrigerant != "R-134a" || m.EvaporatorFan != fleet.FanContinuous ||
		m.RefrigeratedVolume != 0.65 || m.LoadValue != 420 || m.Channels != channels || m.Unlisted {
		t.Errorf("machine is %+v", m)
	}
}

func TestParseSeveralSites(t *testing.T) {
	f := parse(t, "several.yaml")
	if f.Len() != 3 || len(f.Sites) != 2 {
		t.Fatalf("%d machines at %d sites, want 3 at 2", f.Len(), len(f.Sites))
	}
	m, _ := f.Machine("cab-0126")
	if m.Setpoint != nil || m.Differential != nil || m.Channels != 0 || m.EvaporatorFan != fleet.FanUnknown || m.Limits.Warm != 5 {
		t.Errorf("cab-0126 is %+v", m)
	}
	if m, _ := f.Machine("cab-0476"); m.Channels.Len() != 15 {
		t.Errorf("cab-0476 has %d channels, want 15", m.Channels.Len())
	}
}

func TestInheritance(t *testing.T) {
	f := parse(t, "inherit.yaml")
	for _, c := range []struct {
		id, want string
	}{
		{"cab-1", "glass-door sealed-beverage 6/-1 300 unknown; kind fleet, product fleet, warm site oakmill, cold built in, load site oakmill, fan built in"},
		{"cab-2", "open-front dairy 4/0 300 continuous; kind machine, product machine, warm kind open-front, cold kind open-front at site oakmill, load site oakmill, fan kind open-front"},
		{"cab-3", "glass-door sealed-beverage 5/0 0 unknown; kind fleet, product fleet, warm machine, cold machine, load machine, fan built in"},
		{"0417", "glass-door dairy 4.5/-1 0 unknown; kind fleet, product machine, warm fleet, cold built in, load built in, fan built in"},
	} {
		m, ok := f.Machine(c.id)
		if !ok {
			t.Fatalf("%s is not there", c.id)
		}
		got := fmt.Sprintf("%s %s %g/%g %g %s; kind %s, product %s, warm %s, cold %s, load %s, fan %s", m.Kind, m.Product, m.Limits.Warm, m.Limits.Cold,
			m.LoadValue, m.EvaporatorFan, m.Origin(fleet.FieldKind), m.Origin(fleet.FieldProduct), m.Origin(fleet.FieldWarmLimit),
			m.Origin(fleet.FieldColdLimit), m.Origin(fleet.FieldLoadValue), m.Origin(fleet.FieldEvaporatorFan))
		if got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.id, got, c.want)
		}
	}
	s, _ := f.Site("oakmill")
	if f.Currency != "USD" || s.Address != "12 Sluice Lane" || s.Contact.Phone != "555-0100" || s.Contact.Note != "ring at the loading dock" || s.Located {
		t.Errorf("fleet in %q, site %+v", f.Currency, s)
	}
}

func TestOpeningHours(t *testing.T) {
	f := parse(t, "inherit.yaml")
	s, _ := f.Site("oakmill")
	for _, c := range []struct {
		at   string // 2026-07-03 is a Friday
		open bool
		next string
	}{
		{"2026-07-03 05:59", false, "2026-07-03 06:00"},
		{"2026-07-03 06:00", true, "2026-07-03 06:00"},
		{"2026-07-03 22:00", false, "2026-07-04 08:00"},
		{"2026-07-04 12:30", false, "2026-07-04 13:00"},
		{"2026-07-04 18:00", false, "2026-07-06 06:00"},
	} {
		at, err := time.ParseInLocation("2006-01-02 15:04", c.at, s.Location)
		if err != nil {
			t.Fatal(err)
		}
		next, ok := s.Hours.NextOpen(at)
		if s.Hours.Open(at) != c.open || !ok || next.Format("2006-01-02 15:04") != c.next {
			t.Errorf("at %s: open %v, next %v; want %v, %s", c.at, s.Hours.Open(at), next, c.open, c.next)
		}
	}
	var always *fleet.Hours
	if !always.Open(time.Unix(0, 0)) {
		t.Error("a site without hours is not open")
	}
	if _, ok := new(fleet.Hours).NextOpen(time.Unix(0, 0)); ok {
		t.Error("a site that never opens opens")
	}
}

// Each testdata/X.bad.yaml has X.bad.want beside it: every message, in order.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d bad files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			f, err := fleet.Parse("fleet.yaml", data)
			if err == nil || f != nil {
				t.Fatalf("parsed to %v, %v; want problems and no fleet", f, err)
			}
			wantFile := strings.TrimSuffix(file, ".yaml") + ".want"
			if *update {
				if err := os.WriteFile(wantFile, []byte(err.Error()+"\n"), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, readErr := os.ReadFile(wantFile)
			if readErr != nil {
				t.Fatal(readErr)
			}
			if got := err.Error() + "\n"; got != string(want) {
				t.Errorf("got\n%swant\n%s", got, want)
			}
			if n := strings.Count(string(want), "\n"); len(fleet.Problems(err)) != n {
				t.Errorf("Problems finds %d, want %d", len(fleet.Problems(err)), n)
			}
		})
	}
}

func TestUnlisted(t *testing.T) {
	f := parse(t, "inherit.yaml")
	if m := f.AddUnlisted("oakmill", "cab-1"); m.Unlisted {
		t.Error("a listed machine became unlisted")
	}
	m := f.AddUnlisted("oakmill", "cab-new")
	if !m.Unlisted || m.Limits.Warm != 6 || m.LoadValue != 300 || m.Kind != fleet.GlassDoor {
		t.Errorf("unlisted machine is %+v, want its site's defaults", m)
	}
	if again := f.AddUnlisted("elsewhere", "cab-new"); again != m {
		t.Error("the same unlisted machine was added twice")
	}
	if got, ok := f.Machine("cab-new"); !ok || got != m || f.Listed("cab-new") || !f.Listed("cab-1") {
		t.Error("the unlisted machine is not found, or counts as listed")
	}
	f.AddUnlisted("nowhere", "cab-a")
	if u := f.Unlisted(); len(u) != 2 || u[0].ID != "cab-a" || f.Len() != 4 {
		t.Errorf("unlisted are %v", u)
	}
}

func TestNewNeedsNoFile(t *testing.T) {
	f := fleet.New(&fleet.Site{ID: "s", Machines: []*fleet.Machine{{ID: "m", Site: "s"}}})
	if m := f.AddUnlisted("s", "n"); m.Limits != fleet.SealedBeverage.Limits() {
		t.Errorf("unlisted machine is %+v", m)
	}
	if _, ok := f.Machine("m"); !ok {
		t.Error("m is not found")
	}
}

func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) == 0 {
		f.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		fl, err := fleet.Parse("fleet.yaml", data)
		if (fl == nil) != (err != nil) {
			t.Fatalf("fleet %v with error %v", fl, err)
		}
		if err != nil {
			if len(fleet.Problems(err)) == 0 {
				t.Fatalf("no problem in %v", err)
			}
			return
		}
		for m := range fl.All {
			if !fleet.ValidID(m.ID) || m.Limits.Cold >= m.Limits.Warm {
				t.Fatalf("accepted %+v", m)
			}
		}
	})
}

// manyMachines is the file of a big fleet: 100 machines a site.
func manyMachines(n int) []byte {
	var b strings.Builder
	b.WriteString("sites:\n")
	for i := range n {
		if i%100 == 0 {
			fmt.Fprintf(&b, "  - id: site-%d\n    name: Depot %d\n    latitude: 41.2\n    longitude: -81.3\n    timezone: America/New_York\n    machines:\n", i/100, i/100)
		}
		fmt.Fprintf(&b, "      - id: cab-%05d\n        kind: glass-door\n        product: sealed-beverage\n        setpoint: 3.1\n        differential: 3.7\n"+
			"        refrigerant: R-290\n        evaporator_fan: continuous\n        refrigerated_volume: 0.72\n        load_value: 470\n"+
			"        channels: [cabinet_air, coil_out, compressor_current, ambient, door]\n", i)
	}
	return []byte(b.String())
}

func BenchmarkParse10000(b *testing.B) {
	data := manyMachines(10_000)
	b.ReportAllocs()
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		f, err := fleet.Parse("fleet.yaml", data)
		if err != nil || f.Len() != 10_000 {
			b.Fatal(err)
		}
	}
}
