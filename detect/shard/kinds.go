package shard

import (
	"context"

	"coilward/detect"
	"coilward/detect/kin"
)

// SetLibrary takes another library, from here on in the feed: machines that have
// not begun will begin with it, all are judged by it.
func (s *Set) SetLibrary(l *detect.Library) {
	s.o.Library = l
	s.each(func(_ int, k *keeper) {
		k.library = l
		for _, m := range k.list {
			m.model.SetLibrary(l)
		}
	})
}

// Summaries returns the well state of the machines that have shown it for at
// least so many hours, in no order; see [detect.Machine.Summary].
func (s *Set) Summaries(ctx context.Context, hours float64) ([]kin.Summary, error) {
	var all []kin.Summary
	for i := range s.keepers {
		err := s.ask(ctx, i, func(k *keeper) { all = append(all, k.summaries(hours)...) })
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

// Summarise has every shard give take the well state of its machines, as
// Summaries does, once it has done all that was fed so far. The shards call take
// each from its own goroutine.
func (s *Set) Summarise(hours float64, take func([]kin.Summary)) {
	s.each(func(_ int, k *keeper) { take(k.summaries(hours)) })
}

func (k *keeper) summaries(hours float64) (of []kin.Summary) {
	for _, m := range k.list {
		if sum, ok := m.model.Summary(hours); ok {
			of = append(of, sum)
		}
	}
	return of
}
