package settings_test

import (
	"context"
	"errors"
	"slices"

	"coilward/alerts/ledger"
)

// memory is a store without a disk.
type memory struct{ log []ledger.Setting }

func (m *memory) Save(_ context.Context, s ledger.Setting, base int) (ledger.Setting, error) {
	if base != len(m.log) {
		return s, errors.New("another version was saved meanwhile")
	}
	s.Version = len(m.log) + 1
	m.log = append(m.log, s)
	return s, nil
}

func (m *memory) Versions(context.Context, string) ([]ledger.Setting, error) {
	out := slices.Clone(m.log)
	slices.Reverse(out)
	return out, nil
}
