package fleet

import (
	"fmt"

	"coilward/collector"
	"coilward/collector/quantity"
)

// Field is a value of a machine that may be inherited.
type Field uint8

// Fields that may be inherited.
const (
	FieldKind Field = iota
	FieldProduct
	FieldWarmLimit
	FieldColdLimit
	FieldSetpoint
	FieldDifferential
	FieldRefrigerant
	FieldEvaporatorFan
	FieldRefrigeratedVolume
	FieldLoadValue
	FieldChannels
	FieldOnDelay // of urgency low; the others follow it
	FieldOnDelayMedium
	FieldOnDelayHigh
	FieldOnDelayCritical
	FieldOffDelay
	FieldRestockDelay
	FieldDeadband
	FieldFalseAlarms
	FieldAtLeast
	FieldAtMost
	FieldQuietHours
	NumFields int = iota
)

// Level is where a value was set. A later level beats an earlier one.
type Level uint8

// Levels, weakest first.
const (
	BuiltIn      Level = iota // nobody said: the product's own limits, or unknown
	FleetDefault              // top of the file
	SiteDefault               // the site's defaults or limits
	FleetKind                 // the fleet's settings for the kind
	SiteKind                  // the site's settings for the kind
	OwnValue                  // the machine itself
)

// Origin is where one value of a machine comes from.
type Origin struct {
	Level   Level
	Stored  bool // from overrides laid over the file, not from the file
	Site    string
	Kind    Kind
	Product Product
}

type origin struct {
	level  Level
	stored bool
}

// String says the origin in words, such as "site oakmill".
func (o Origin) String() string {
	switch o.Level {
	case FleetDefault:
		return "fleet"
	case SiteDefault:
		return "site " + o.Site
	case FleetKind:
		return "kind " + o.Kind.String()
	case SiteKind:
		return fmt.Sprintf("kind %s at site %s", o.Kind, o.Site)
	case OwnValue:
		return "machine"
	}
	return "built in"
}

// settings are the machine values that one level sets; nil: not set there.
type settings struct {
	kind          *Kind
	product       *Product
	setpoint      *quantity.Celsius
	differential  *quantity.Kelvin
	refrigerant   *string
	evaporatorFan *FanControl
	volume        *float64
	loadValue     *float64
	channels      *collector.ChannelSet
	limits        [NumProducts]partLimits
	alerting      Alerting
	line          [NumFields]int // in the file, for problems
}

// partLimits are limits of which either may be left to a weaker level.
type partLimits struct{ warm, cold *quantity.Celsius }

// siteSettings are what a site, or the fleet, sets for its machines.
type siteSettings struct {
	settings
	kinds [NumKinds]*settings
}

// stack is what a machine inherits from: the levels of the file and what is laid
// over it. A nil level sets nothing.
type stack struct {
	fleet, site *siteSettings
	own         *settings // its limits must be given for every product
	over        *Overrides
}

// level is one layer of a stack.
type level struct {
	origin
	*settings
}

// levels returns the layers for a kind, weakest first: at each level what is laid
// over the file beats what the file says there, and loses to what the file says
// nearer to the machine.
func (s *stack) levels(m *Machine, kind Kind) []level {
	var all []level
	add := func(l Level, file *settings, scope Scope) {
		if file != nil {
			all = append(all, level{origin{l, false}, file})
		}
		if s.over != nil && s.over.at[scope] != nil {
			all = append(all, level{origin{l, true}, &s.over.at[scope].settings})
		}
	}
	of := func(x *siteSettings) (defaults, ofKind *settings) {
		if x == nil {
			return nil, nil
		}
		return &x.settings, x.kinds[kind]
	}
	fleetDefaults, fleetKind := of(s.fleet)
	siteDefaults, siteKind := of(s.site)
	add(FleetDefault, fleetDefaults, Scope{Level: FleetDefault})
	add(SiteDefault, siteDefaults, Scope{Level: SiteDefault, Site: m.Site})
	add(FleetKind, fleetKind, Scope{Level: FleetKind, Kind: kind})
	add(SiteKind, siteKind, Scope{Level: SiteKind, Site: m.Site, Kind: kind})
	add(OwnValue, s.own, Scope{Level: OwnValue, Machine: m.ID})
	return all
}

// inherit fills m from the built-in limits and the levels above it, and returns
// the line each value stands on in its file.
func inherit(m *Machine, s stack) (lines [NumFields]int) {
	m.Kind = GlassDoor
	// The kind is settled before the levels that depend on it, the product
	// before the limits. Neither can be laid over the file.
	take := func(l level) {
		set := func(f Field) {
			m.origins[f] = l.origin
			lines[f] = l.line[f]
		}
		inheritValue(&m.Kind, l.kind, set, FieldKind)
		inheritValue(&m.Product, l.product, set, FieldProduct)
		inheritValue(&m.Refrigerant, l.refrigerant, set, FieldRefrigerant)
		inheritValue(&m.EvaporatorFan, l.evaporatorFan, set, FieldEvaporatorFan)
		inheritValue(&m.RefrigeratedVolume, l.volume, set, FieldRefrigeratedVolume)
		inheritValue(&m.LoadValue, l.loadValue, set, FieldLoadValue)
		inheritValue(&m.Channels, l.channels, set, FieldChannels)
		inheritPointer(&m.Setpoint, l.setpoint, set, FieldSetpoint)
		inheritPointer(&m.Differential, l.differential, set, FieldDifferential)
		m.Alerting.inherit(&l.alerting, set)
	}
	for _, l := range s.levels(m, GlassDoor) {
		if l.level != FleetKind && l.level != SiteKind {
			inheritValue(&m.Kind, l.kind, func(Field) {}, FieldKind)
		}
	}
	levels := s.levels(m, m.Kind)
	for _, l := range levels {
		take(l)
	}
	m.Limits = m.Product.Limits()
	for _, l := range levels {
		set := func(f Field) {
			m.origins[f] = l.origin
			lines[f] = l.line[f]
		}
		part := l.limits[m.Product]
		inheritValue(&m.Limits.Warm, part.warm, set, FieldWarmLimit)
		inheritValue(&m.Limits.Cold, part.cold, set, FieldColdLimit)
	}
	return lines
}

func inheritValue[T any](to *T, from *T, set func(Field), f Field) {
	if from != nil {
		*to = *from
		set(f)
	}
}

func inheritPointer[T any](to **T, from *T, set func(Field), f Field) {
	if from != nil {
		*to = from
		set(f)
	}
}
