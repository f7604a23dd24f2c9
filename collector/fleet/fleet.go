// Package fleet holds the sites, the machines at them, what they carry and the
// limits it must be kept within, as the fleet file says.
package fleet

import (
	"cmp"
	"slices"
	"sync"
	"time"

	"coilward/collector"
	"coilward/collector/quantity"
)

// Kind is how a machine is built.
type Kind uint8

// Kinds of machine, as in the fleet file.
const (
	StackVendor      Kind = iota // closed front, columns of cans or bottles
	GlassFrontVendor             // vendor with a window, delivery port
	GlassDoor                    // cooler that customers open
	OpenFront                    // no door; air curtain
	NumKinds         int  = iota
)

// Product is what a machine holds, and so what limits apply.
type Product uint8

// Classes of product, as in the fleet file.
const (
	SealedBeverage Product = iota
	Dairy
	TCSFood         // time/temperature control for safety food
	NumProducts int = iota
)

// FanControl is when the evaporator fan runs.
type FanControl uint8

// Ways to control an evaporator fan, as in the fleet file.
const (
	FanUnknown FanControl = iota // the file does not say; learned
	FanContinuous
	FanWithCompressor
	FanDoorSwitched
)

// Limits are what the product must stay within.
type Limits struct {
	Warm quantity.Celsius
	Cold quantity.Celsius
}

// Machine is one cabinet as the fleet file describes it. A nil pointer means
// the file does not say.
type Machine struct {
	ID                 string
	Site               string // the site's ID
	Kind               Kind
	Product            Product
	Limits             Limits
	Setpoint           *quantity.Celsius // centre of cut-out and cut-in
	Differential       *quantity.Kelvin  // cut-in − cut-out
	Refrigerant        string
	EvaporatorFan      FanControl
	RefrigeratedVolume float64              // m³; 0: unknown
	LoadValue          float64              // money; 0: unknown
	Channels           collector.ChannelSet // 0: learned
	Alerting           Alerting
	Unlisted           bool // heard on MQTT, not in the file; defaults apply

	origins [NumFields]origin
	own     *settings // as the file has them; nil: nothing
}

// Origin says where the machine's value of f comes from.
func (m *Machine) Origin(f Field) Origin {
	o := m.origins[f]
	return Origin{Level: o.level, Stored: o.stored, Site: m.Site, Kind: m.Kind, Product: m.Product}
}

// Contact is whom to call about a site.
type Contact struct {
	Name  string
	Phone string
	Email string
	Note  string // how to get in, where to park
}

// Site is a place with machines.
type Site struct {
	ID        string
	Name      string
	Latitude  float64 // degrees north
	Longitude float64 // degrees east
	Located   bool    // the file gives latitude and longitude
	Location  *time.Location
	Address   string
	Contact   Contact
	Hours     *Hours // when a tech gets in; nil: at any time
	Machines  []*Machine

	settings  siteSettings
	fileHours *Hours // before overrides
}

// Fleet is every site and machine. What the file says does not change after
// Parse, so all methods may be called from several goroutines.
type Fleet struct {
	Currency string // ISO 4217 code of load values; "": not said
	Sites    []*Site

	settings siteSettings
	laid     func(site string) *Overrides // what With laid over the file at a site; nil: nothing
	sites    map[string]*Site
	machines map[string]*Machine

	mu       sync.RWMutex
	unlisted map[string]*Machine // guarded by mu
}

// New returns a fleet of the given sites. Machines are taken as they are: no
// defaults are filled in and nothing is checked.
func New(sites ...*Site) *Fleet {
	f := &Fleet{Sites: sites}
	f.index()
	return f
}

func (f *Fleet) index() {
	f.sites = make(map[string]*Site, len(f.Sites))
	f.machines = make(map[string]*Machine)
	for _, s := range f.Sites {
		f.sites[s.ID] = s
		for _, m := range s.Machines {
			f.machines[m.ID] = m
		}
	}
}

// Machine finds a machine, listed or unlisted, by its id.
func (f *Fleet) Machine(id string) (*Machine, bool) {
	if m, ok := f.machines[id]; ok {
		return m, true
	}
	f.mu.RLock()
	defer f.mu.RUnlock()
	m, ok := f.unlisted[id]
	return m, ok
}

// Listed reports whether the file lists the machine.
func (f *Fleet) Listed(id string) bool {
	_, ok := f.machines[id]
	return ok
}

// Site finds a site by its id. The site of an unlisted machine may not be
// there.
func (f *Fleet) Site(id string) (*Site, bool) {
	s, ok := f.sites[id]
	return s, ok
}

// AddUnlisted returns the machine, adding it with the defaults of its site and
// fleet when it is not known yet. It does not bound their number: admission
// does, which sees every reading first.
func (f *Fleet) AddUnlisted(site, machine string) *Machine {
	if m, ok := f.Machine(machine); ok {
		return m
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if m, ok := f.unlisted[machine]; ok {
		return m
	}
	m := &Machine{ID: machine, Site: site, Unlisted: true}
	var atSite *siteSettings
	if s, ok := f.sites[site]; ok {
		atSite = &s.settings
	}
	inherit(m, stack{fleet: &f.settings, site: atSite, over: f.over(site)})
	if f.unlisted == nil {
		f.unlisted = make(map[string]*Machine)
	}
	f.unlisted[machine] = m
	return m
}

// over is what is laid over the file at a site.
func (f *Fleet) over(site string) *Overrides {
	if f.laid == nil {
		return nil
	}
	return f.laid(site)
}

// Unlisted returns the machines added by AddUnlisted, by id.
func (f *Fleet) Unlisted() []*Machine {
	f.mu.RLock()
	defer f.mu.RUnlock()
	ms := make([]*Machine, 0, len(f.unlisted))
	for _, m := range f.unlisted {
		ms = append(ms, m)
	}
	slices.SortFunc(ms, func(a, b *Machine) int { return cmp.Compare(a.ID, b.ID) })
	return ms
}

// All yields every listed machine in file order.
func (f *Fleet) All(yield func(*Machine) bool) {
	for _, s := range f.Sites {
		for _, m := range s.Machines {
			if !yield(m) {
				return
			}
		}
	}
}

// Len returns the number of listed machines.
func (f *Fleet) Len() int { return len(f.machines) }
