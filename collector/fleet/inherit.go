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
	Site    string
	Kind    Kind
	Product Product
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
	line          [NumFields]int // in the file, for problems
}

// partLimits are limits of which either may be left to a weaker level.
type partLimits struct{ warm, cold *quantity.Celsius }

// siteSettings are what a site, or the fleet, sets for its machines.
type siteSettings struct {
	settings
	kinds [NumKinds]*settings
}

// inherit fills m from the built-in limits and the levels above it. A nil
// level sets nothing. The machine's own limits must be given for every product.
func inherit(m *Machine, ofFleet, ofSite *siteSettings, own *settings) (lines [NumFields]int) {
	if ofFleet == nil {
		ofFleet = &siteSettings{}
	}
	if ofSite == nil {
		ofSite = &siteSettings{}
	}
	m.Kind = GlassDoor
	take := func(l Level, s *settings) {
		if s == nil {
			return
		}
		set := func(f Field) {
			m.origins[f] = l
			lines[f] = s.line[f]
		}
		inheritValue(&m.Kind, s.kind, set, FieldKind)
		inheritValue(&m.Product, s.product, set, FieldProduct)
		inheritValue(&m.Refrigerant, s.refrigerant, set, FieldRefrigerant)
		inheritValue(&m.EvaporatorFan, s.evaporatorFan, set, FieldEvaporatorFan)
		inheritValue(&m.RefrigeratedVolume, s.volume, set, FieldRefrigeratedVolume)
		inheritValue(&m.LoadValue, s.loadValue, set, FieldLoadValue)
		inheritValue(&m.Channels, s.channels, set, FieldChannels)
		if s.setpoint != nil {
			m.Setpoint = s.setpoint
			set(FieldSetpoint)
		}
		if s.differential != nil {
			m.Differential = s.differential
			set(FieldDifferential)
		}
	}
	// The kind is settled before the levels that depend on it, the product
	// before the limits.
	take(FleetDefault, &ofFleet.settings)
	take(SiteDefault, &ofSite.settings)
	take(OwnValue, own)
	kind := m.Kind
	levels := [...]struct {
		Level
		*settings
	}{
		{FleetKind, ofFleet.kinds[kind]},
		{SiteKind, ofSite.kinds[kind]},
		{OwnValue, own},
	}
	for _, l := range levels {
		take(l.Level, l.settings)
	}
	m.Limits = m.Product.Limits()
	takeLimits := func(l Level, s *settings) {
		if s == nil {
			return
		}
		set := func(f Field) {
			m.origins[f] = l
			lines[f] = s.line[f]
		}
		part := s.limits[m.Product]
		inheritValue(&m.Limits.Warm, part.warm, set, FieldWarmLimit)
		inheritValue(&m.Limits.Cold, part.cold, set, FieldColdLimit)
	}
	takeLimits(FleetDefault, &ofFleet.settings)
	takeLimits(SiteDefault, &ofSite.settings)
	for _, l := range levels {
		takeLimits(l.Level, l.settings)
	}
	return lines
}

func inheritValue[T any](to *T, from *T, set func(Field), f Field) {
	if from != nil {
		*to = *from
		set(f)
	}
}
