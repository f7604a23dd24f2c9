package fleet

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// reader walks the syntax tree and gathers problems. The tree is walked by
// hand because decoding into structs ends at the first problem.
type reader struct {
	file     string
	anchors  map[string]ast.Node
	problems []Problem
}

func (r *reader) problem(line int, format string, args ...any) {
	r.problems = append(r.problems, Problem{File: r.file, Line: line, Text: fmt.Sprintf(format, args...)})
}

// value is a node of the tree with the name it has for people.
type value struct {
	r    *reader
	node ast.Node
	line int
	what string // such as `machine "cab-0417": setpoint`
}

// entry is one key of a mapping.
type entry struct {
	key   string
	value value
}

func lineOf(n ast.Node) int {
	if n == nil || n.GetToken() == nil || n.GetToken().Position == nil {
		return 0
	}
	return n.GetToken().Position.Line
}

// plain follows aliases and drops anchors and tags.
func (r *reader) plain(n ast.Node) ast.Node {
	for range 16 { // an alias to itself must end
		switch t := n.(type) {
		case *ast.AnchorNode:
			n = t.Value
		case *ast.TagNode:
			n = t.Value
		case *ast.AliasNode:
			to, ok := r.anchors[t.Value.String()]
			if !ok {
				r.problem(lineOf(t), "alias *%s has no anchor; write &%s at what it stands for", t.Value, t.Value)
				return nil
			}
			n = to
		default:
			return n
		}
	}
	return nil
}

// isNull reports whether nothing was written after the key.
func (v value) isNull() bool {
	_, null := v.node.(*ast.NullNode)
	return v.node == nil || null
}

// entries returns the keys of a mapping, each once; keys that are not in known
// (when given) are a problem. what names the thing for people.
func (v value) entries(what string, known []string) []entry {
	if v.isNull() {
		return nil
	}
	var pairs []*ast.MappingValueNode
	switch n := v.node.(type) {
	case *ast.MappingNode:
		pairs = n.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{n}
	default:
		v.r.problem(v.line, "%s: want keys and values here, not %q", what, v.text())
		return nil
	}
	entries := make([]entry, 0, len(pairs))
	for _, p := range pairs {
		line := lineOf(p.Key)
		if p.Key.IsMergeKey() {
			v.r.problem(line, "%s: << is not taken; set what is common under defaults", what)
			continue
		}
		key := scalarText(p.Key)
		if i := slices.IndexFunc(entries, func(e entry) bool { return e.key == key }); i >= 0 {
			v.r.problem(line, "%s: %s is there twice, first on line %d; delete one", what, key, entries[i].value.line)
			continue
		}
		if known != nil && !slices.Contains(known, key) {
			hint := didYouMean(key, known)
			if hint == "" {
				hint = "; the keys here are " + strings.Join(known, ", ")
			}
			v.r.problem(line, "%s: unknown key %q%s", what, key, hint)
			continue
		}
		entries = append(entries, entry{key, value{v.r, v.r.plain(p.Value), line, what + ": " + key}})
	}
	return entries
}

// items returns the values of a sequence.
func (v value) items() []value {
	if v.isNull() {
		return nil
	}
	seq, ok := v.node.(*ast.SequenceNode)
	if !ok {
		v.r.problem(v.line, "%s: want a list here, not %q", v.what, v.text())
		return nil
	}
	items := make([]value, 0, len(seq.Values))
	for _, n := range seq.Values {
		line := lineOf(n)
		n = v.r.plain(n)
		if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 && line == 0 {
			line = lineOf(m.Values[0].Key)
		}
		items = append(items, value{v.r, n, line, v.what})
	}
	return items
}

// text returns what was written, shortened for a message.
func (v value) text() string {
	if v.node == nil {
		return ""
	}
	t := scalarText(v.node)
	if line, _, more := strings.Cut(t, "\n"); more || len(line) > 60 {
		return line[:min(len(line), 60)] + "…"
	}
	return t
}

// scalarText returns a scalar as it was written: an id such as 0417 is not the
// number 417.
func scalarText(n ast.Node) string {
	switch t := n.(type) {
	case *ast.StringNode:
		return t.Value
	case *ast.LiteralNode:
		return strings.TrimSpace(t.Value.Value)
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value
	}
	return n.String()
}

// word reads a scalar as text.
func (v value) word() (string, bool) {
	switch v.node.(type) {
	case *ast.StringNode, *ast.LiteralNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		if t := strings.TrimSpace(scalarText(v.node)); t != "" {
			return t, true
		}
	}
	if v.isNull() || v.text() == "" {
		v.r.problem(v.line, "%s is empty; give it a value or delete the key", v.what)
	} else {
		v.r.problem(v.line, "%s: want a word or text, not %q", v.what, v.text())
	}
	return "", false
}

// number reads a finite number in lowest..highest. unit goes into messages,
// advice after them.
func (v value) number(lowest, highest float64, unit, advice string) (float64, bool) {
	var x float64
	switch n := v.node.(type) {
	case *ast.IntegerNode:
		switch i := n.Value.(type) {
		case int64:
			x = float64(i)
		case uint64:
			x = float64(i)
		}
	case *ast.FloatNode:
		x = n.Value
	default:
		if v.isNull() {
			v.r.problem(v.line, "%s is empty; give it a value or delete the key", v.what)
		} else {
			v.r.problem(v.line, "%s: %q is not a number; write the number alone, without unit or quotes", v.what, v.text())
		}
		return 0, false
	}
	if math.IsNaN(x) || x < lowest || x > highest {
		v.r.problem(v.line, "%s %g%s is outside %g to %g%s; %s", v.what, x, unit, lowest, highest, unit, advice)
		return 0, false
	}
	return x, true
}
