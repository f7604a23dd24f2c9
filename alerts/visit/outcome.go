package visit

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"coilward/detect/fault"
)

// Kind is how a visit ended.
type Kind string

// Ends of a visit.
const (
	Repaired     Kind = "repaired"
	HandedOver   Kind = "handed-over" // to a licensed mechanic
	NothingFound Kind = "nothing-found"
	NotReached   Kind = "not-reached" // no access, or no time: it says nothing of the machine
)

// Kinds are the ends, in the order they are offered.
var Kinds = []Kind{Repaired, HandedOver, NothingFound, NotReached}

// Outcome is what came of a visit.
type Outcome struct {
	Kind     Kind           `json:"kind"`
	Fault    fault.Fault    `json:"fault"` // what it was found to be; Well: not said
	What     string         `json:"what,omitempty"`
	Parts    map[string]int `json:"parts,omitempty"` // used, by name
	Product  Decision       `json:"product"`
	Measured *float64       `json:"measured,omitempty"` // °C, in the product
	At       time.Time      `json:"at"`
	By       string         `json:"by"`
}

const mostText = 1000 // characters of what was done

// Finish closes the visit. It reports everything that is missing at once.
func (v Visit) Finish(o Outcome) (Visit, error) {
	var errs []error
	bad := func(text string) { errs = append(errs, errors.New(text)) }
	o.What = strings.TrimSpace(o.What)
	switch {
	case !slices.Contains(Kinds, o.Kind):
		bad("choose how the visit ended")
	case o.Kind == Repaired && (o.Fault == fault.Well || o.What == ""):
		bad("say what was wrong and what you repaired")
	case o.Kind == HandedOver && o.Fault == fault.Well:
		bad("say what you think is wrong, for the mechanic who comes")
	case o.Kind == NotReached && o.What == "":
		bad("say why: closed, no key, no time")
	}
	if o.Kind == NothingFound || o.Kind == NotReached {
		o.Fault, o.Parts = fault.Well, nil
	}
	if o.Product == "" && o.Kind != NotReached && slices.Contains(Kinds, o.Kind) {
		bad("say what became of the product: sell, hold or discard")
	}
	if o.Product != "" && !slices.Contains(Decisions, o.Product) {
		bad("the product is sold, held or discarded")
	}
	if len([]rune(o.What)) > mostText {
		bad(fmt.Sprintf("at most %d characters", mostText))
	}
	if m := o.Measured; m != nil && !(*m >= -30 && *m <= 60) {
		bad(fmt.Sprintf("a product of %g °C cannot be", *m))
	}
	for part, n := range o.Parts {
		if n < 1 || n > 99 {
			bad(fmt.Sprintf("%d × %s cannot be", n, part))
		}
	}
	if v.Outcome != nil && v.Outcome.Kind != NotReached {
		bad("this visit to " + v.Machine + " is closed already")
	}
	if err := errors.Join(errs...); err != nil {
		return v, err
	}
	v.Outcome = &o
	return v, nil
}

// Label is what the visit teaches the models: the cause that a person found. ok
// is false where nobody looked, or nobody could tell.
func (v *Visit) Label() (f fault.Fault, ok bool) {
	if v.Outcome == nil {
		return fault.Well, false
	}
	switch o := v.Outcome; o.Kind {
	case Repaired:
		return o.Fault, true
	case HandedOver:
		return o.Fault, o.Fault != fault.Unknown
	case NothingFound:
		return fault.Well, true
	}
	return fault.Well, false
}
