package fleet

// Given is a setting at a scope: what it is there, and what it would be without
// what is laid over the file at the very scope.
type Given struct {
	Here      string // laid over the file at this scope; "": not
	Inherited string // from the file here or from a weaker level; "": nobody said
	From      Origin // of Inherited
	Nearer    int    // machines within the scope for which a nearer level says otherwise
}

// Inherited returns a setting at a scope of the fleet, which must be what With has
// made of the file and the overrides.
func (f *Fleet) Inherited(o *Overrides, s Scope, row *Setting) Given {
	g := Given{Here: o.Values(s)[row.Key]}
	if row.Field == Field(NumFields) {
		// A site's own: the file's hours, since nothing else is weaker.
		if site, ok := f.sites[s.Site]; ok {
			l := &laid{}
			if site.fileHours != nil {
				l.hours = *site.fileHours
				for d := range l.hoursSet {
					l.hoursSet[d] = true
				}
			}
			g.Inherited, _ = row.get(l)
			if g.Inherited != "" {
				g.From = Origin{Level: SiteDefault, Site: s.Site}
			}
		}
		return g
	}
	m := &Machine{ID: s.Machine, Site: s.Site, Kind: s.Kind}
	st := stack{fleet: &f.settings, over: o}
	known := s.Level != OwnValue
	if spec, ok := f.Machine(s.Machine); ok && !known {
		m, known = spec, true
		st.own = spec.own
	}
	if site, ok := f.sites[m.Site]; ok {
		st.site = &site.settings
	}
	of := row
	if s.Level == OwnValue && known {
		of = row.For(m.Product)
	}
	for _, l := range st.levels(m, m.Kind) {
		if l.level > s.Level || l.level == s.Level && l.stored {
			continue
		}
		if (l.level == SiteDefault || l.level == SiteKind) && m.Site == "" || (l.level == FleetKind || l.level == SiteKind) && s.Level == SiteDefault {
			continue
		}
		by := of
		if l.level == OwnValue {
			by = row
		}
		if t, ok := by.get(&laid{settings: *l.settings}); ok {
			g.Inherited, g.From = t, Origin{Level: l.level, Stored: l.stored, Site: m.Site, Kind: m.Kind, Product: m.Product}
		}
	}
	if s.Level != OwnValue {
		for m := range f.All {
			if s.Contains(m) && row.concerns(m) && m.origins[row.Field].level > s.Level {
				g.Nearer++
			}
		}
	}
	return g
}

// For returns the row of the limits of a product for one of a machine's own limits,
// and every other row itself.
func (s *Setting) For(p Product) *Setting {
	switch s.Key {
	case "limits.warm":
		r, _ := SettingByKey("limits." + p.String() + ".warm")
		return r
	case "limits.cold":
		r, _ := SettingByKey("limits." + p.String() + ".cold")
		return r
	}
	return s
}

// concerns reports whether the setting can reach the machine: the limits of a
// product reach machines that hold it.
func (s *Setting) concerns(m *Machine) bool {
	return s.Field != FieldWarmLimit && s.Field != FieldColdLimit || s.Key == s.own().For(m.Product).Key
}

// own returns the row of a machine's own limit for one of a product's.
func (s *Setting) own() *Setting {
	key := map[Field]string{FieldWarmLimit: "limits.warm", FieldColdLimit: "limits.cold"}[s.Field]
	if r, ok := SettingByKey(key); ok {
		return r
	}
	return s
}
