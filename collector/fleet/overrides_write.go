package fleet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// node is a mapping being written.
type node struct {
	keys []string // in order
	in   map[string]*node
	text string // of a leaf
}

func (n *node) child(key string) *node {
	if n.in == nil {
		n.in = map[string]*node{}
	}
	c := n.in[key]
	if c == nil {
		c = &node{}
		n.in[key] = c
		n.keys = append(n.keys, key)
	}
	return c
}

func writeOverrides(flat map[Scope]map[string]string) []byte {
	root := &node{}
	for _, k := range overrideKeys {
		root.child(k)
	}
	scopes := slices.SortedFunc(maps.Keys(flat), Scope.compare)
	for _, s := range scopes {
		at := root
		switch s.Level {
		case FleetDefault:
			at = root.child("fleet")
		case FleetKind:
			at = root.child("kinds").child(s.Kind.String())
		case SiteDefault:
			at = root.child("sites").child(s.Site)
		case SiteKind:
			at = root.child("sites").child(s.Site).child("kinds").child(s.Kind.String())
		case OwnValue:
			at = root.child("machines").child(s.Machine)
		}
		for _, key := range slices.SortedFunc(maps.Keys(flat[s]), compareKeys) {
			leaf := at
			for part := range strings.SplitSeq(key, ".") {
				leaf = leaf.child(part)
			}
			leaf.text = flat[s][key]
		}
	}
	var b bytes.Buffer
	root.write(&b, 0)
	if b.Len() == 0 {
		return []byte("{}\n")
	}
	return b.Bytes()
}

func (n *node) empty() bool {
	return n.text == "" && !slices.ContainsFunc(n.keys, func(k string) bool { return !n.in[k].empty() })
}

func (n *node) write(b *bytes.Buffer, depth int) {
	for _, k := range n.keys {
		c := n.in[k]
		if c.empty() {
			continue
		}
		fmt.Fprintf(b, "%s%s:", strings.Repeat("  ", depth), plainOrQuoted(k, true))
		if c.text != "" {
			fmt.Fprintf(b, " %s\n", plainOrQuoted(c.text, false))
			continue
		}
		b.WriteByte('\n')
		c.write(b, depth+1)
	}
}

// Words, ids and delays need no quotes, unless YAML takes the word for something
// else.
var (
	plainScalar = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9._-]*|([0-9]+[hms])+)$`)
	reserved    = []string{"null", "true", "false", "yes", "no", "on", "off", "y", "n", "inf", "infinity", "nan"}
)

// plainOrQuoted writes a scalar so that it is read back as what it was: numbers
// and words as they are, everything else, and a key that looks like a number, in
// quotes.
func plainOrQuoted(text string, key bool) string {
	_, err := strconv.ParseFloat(text, 64)
	isNumber := err == nil && !strings.ContainsAny(text, "xXpPnN_")
	plain := plainScalar.MatchString(text) && !slices.Contains(reserved, strings.ToLower(text))
	if plain || isNumber && !key {
		return text
	}
	q, err := json.Marshal(text)
	if err != nil {
		panic(err) // a string
	}
	return string(q)
}

// Difference is one value that is not the same in two overrides; "" where it is
// not set.
type Difference struct {
	Scope    Scope
	Key      string
	From, To string
}

// Diff lists what b sets otherwise than a.
func Diff(a, b *Overrides) []Difference {
	scopes := map[Scope]bool{}
	for _, s := range append(a.Scopes(), b.Scopes()...) {
		scopes[s] = true
	}
	var out []Difference
	for _, s := range slices.SortedFunc(maps.Keys(scopes), Scope.compare) {
		was, is := a.Values(s), b.Values(s)
		keys := map[string]bool{}
		for k := range was {
			keys[k] = true
		}
		for k := range is {
			keys[k] = true
		}
		for _, k := range slices.SortedFunc(maps.Keys(keys), compareKeys) {
			if was[k] != is[k] {
				out = append(out, Difference{s, k, was[k], is[k]})
			}
		}
	}
	return out
}
