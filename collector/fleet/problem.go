package fleet

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// Problem is one thing that is wrong with a file, and what to do about it.
type Problem struct {
	File string
	Line int // 0: the file as a whole
	Text string

	// Where values that are each good by themselves contradict each other: which, and
	// of which machine.
	Fields  []Field
	Machine string
}

func (p Problem) Error() string {
	if p.Line == 0 {
		return p.File + ": " + p.Text
	}
	return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.Text)
}

// Problems takes the error of Parse apart, in the order of the file; nil if
// there are none in it.
func Problems(err error) []Problem {
	var several interface{ Unwrap() []error }
	if errors.As(err, &several) {
		var ps []Problem
		for _, e := range several.Unwrap() {
			ps = append(ps, Problems(e)...)
		}
		return ps
	}
	var p Problem
	if errors.As(err, &p) {
		return []Problem{p}
	}
	return nil
}

// mostProblems are listed; a file with more has one mistake many times.
const mostProblems = 200

// joined returns the problems in the order of the file as one error.
func joined(file string, ps []Problem) error {
	slices.SortStableFunc(ps, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	var errs []error
	for i, p := range ps {
		if i == mostProblems {
			errs = append(errs, Problem{File: file, Text: fmt.Sprintf("%d more problems are not listed; mend these first", len(ps)-i)})
			break
		}
		errs = append(errs, p)
	}
	return errors.Join(errs...)
}
