package notify

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// Swap is an override made on the board: the file says who takes turns, and who takes
// tonight for somebody else is said where everybody looks. It counts before the
// overrides of the file, and the later before the earlier.
type Swap struct {
	ID   string `json:"id"`
	Rota string `json:"rota"`
	Override
	By   string    `json:"by"`
	Made time.Time `json:"made"`
}

// MaxSwap is how long a swap may last: longer is another rota.
const MaxSwap = 14 * 24 * time.Hour

// With returns the settings with swaps laid over them. Swaps of a rota or by a person
// that the settings no longer have are left out.
func (s *Settings) With(swaps []Swap) *Settings {
	out := *s
	out.Rotas = slices.Clone(s.Rotas)
	for i := range out.Rotas {
		r := &out.Rotas[i]
		r.Overrides = slices.Clone(r.Overrides)
		for _, x := range swaps {
			if x.Rota == r.Name && s.person(x.Person) != nil {
				r.Overrides = append(r.Overrides, x.Override)
			}
		}
	}
	return &out
}

// CheckSwap says everything that is wrong with a swap that is made now.
func (s *Settings) CheckSwap(x *Swap, now time.Time) error {
	var errs []error
	bad := func(text string) { errs = append(errs, errors.New(text)) }
	i := slices.IndexFunc(s.Rotas, func(r Rota) bool { return r.Name == x.Rota })
	if i < 0 {
		bad("there is no such rota any more")
	}
	p := s.person(x.Person)
	switch {
	case p == nil:
		bad("choose who takes it")
	case len(p.Contacts) == 0:
		bad(p.Name + " cannot be reached: there is no contact in the people file")
	}
	switch {
	case !x.To.After(x.From):
		bad("it ends before it begins")
	case !x.To.After(now):
		bad("it is over already")
	case x.To.Sub(x.From) > MaxSwap:
		bad(fmt.Sprintf("at most %.0f days; for longer change the rota in the people file", MaxSwap.Hours()/24))
	}
	if len(errs) == 0 && s.Rotas[i].always(x.Person, x.From, x.To) {
		bad(p.Name + " is on call then anyway")
	}
	return errors.Join(errs...)
}

// always reports whether the person is on call through all of a time.
func (r *Rota) always(person string, from, to time.Time) bool {
	for at := from; at.Before(to); {
		if c := r.Chain(at); len(c) == 0 || c[0] != person {
			return false
		}
		next, _, ok := r.Next(at, to.Sub(at))
		if !ok {
			return true
		}
		at = next
	}
	return true
}
