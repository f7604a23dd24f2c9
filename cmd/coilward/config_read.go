package main

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	yamltext "github.com/goccy/go-yaml/parser"
)

// configText is a configuration as it is written: what a decoder that stops at the
// first mistake does not tell, and where each setting stands.
type configText struct {
	root     ast.Node // nil: the file says nothing
	problems []configProblem
}

type configProblem struct {
	line int // 0: not known
	text string
}

// readText parses a configuration and fills in into, a pointer to a struct. What
// cannot be taken is a problem and left out, so that the rest is read.
func readText(data []byte, into any) (*configText, error) {
	file, err := yamltext.ParseBytes(data, 0)
	if err != nil {
		return nil, err
	}
	t := &configText{}
	for _, doc := range file.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.NullType && doc.Body.Type() != ast.CommentType {
			t.root = doc.Body
			break
		}
	}
	if t.root == nil || !t.fits(t.root, reflect.TypeOf(into).Elem(), "") {
		return t, nil
	}
	return t, yaml.NodeToValue(t.root, into, yaml.Strict())
}

// has reports whether the configuration has a section.
func (t *configText) has(section string) bool {
	m, ok := t.root.(*ast.MappingNode)
	return ok && slices.ContainsFunc(m.Values, func(v *ast.MappingValueNode) bool { return v.Key.GetToken().Value == section })
}

func (t *configText) problem(n ast.Node, format string, args ...any) {
	t.problems = append(t.problems, configProblem{lineOfNode(n), fmt.Sprintf(format, args...)})
}

// fits reports whether a node can be read as the type; what is within it and cannot
// is taken out. path names the node in messages.
func (t *configText) fits(n ast.Node, as reflect.Type, path string) bool {
	if _, plain := n.(ast.ScalarNode); plain && n.Type() == ast.NullType {
		return true // a section of comments alone
	}
	switch n.(type) {
	case *ast.AliasNode, *ast.AnchorNode, *ast.TagNode:
		return true // the decoder resolves them
	}
	switch {
	case as.Kind() == reflect.Struct:
		return t.section(n, as, path)
	case as.Kind() == reflect.Slice && as.Elem().Kind() == reflect.Struct:
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			t.problem(n, "%s: want a list here, not %q", path, n.String())
			return false
		}
		for i, v := range list.Values {
			if !t.fits(v, as.Elem(), path+" "+strconv.Itoa(i+1)) {
				return false
			}
		}
		return true
	}
	if err := yaml.NodeToValue(n, reflect.New(as).Interface()); err != nil {
		t.problem(n, "%s: %q is %s", path, n.String(), wanted(as))
		return false
	}
	return true
}

func (t *configText) section(n ast.Node, as reflect.Type, path string) bool {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		t.problem(n, "%swant keys and values here, not %q", prefix(path), n.String())
		return false
	}
	keys := map[string]reflect.Type{}
	var names []string
	for f := range as.Fields() {
		if name, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); name != "" && name != "-" {
			keys[name] = f.Type
			names = append(names, name)
		}
	}
	m.Values = slices.DeleteFunc(m.Values, func(v *ast.MappingValueNode) bool {
		key := v.Key.GetToken().Value
		as, known := keys[key]
		if !known {
			t.problem(v.Key, "%sunknown key %q; the keys here are %s", prefix(path), key, strings.Join(names, ", "))
			return true
		}
		return !t.fits(v.Value, as, prefix(path)+key)
	})
	return true
}

func prefix(path string) string {
	if path == "" {
		return ""
	}
	return path + ": "
}

// wanted says what a value that cannot be read as the type is not.
func wanted(t reflect.Type) string {
	switch {
	case t == reflect.TypeFor[time.Duration]():
		return "no time with its unit; write 30s, 5m or 1h30m"
	case t.Kind() == reflect.Bool:
		return "neither true nor false"
	case t.Kind() == reflect.Float64:
		return "no number"
	case t.Kind() == reflect.Slice:
		return "no list"
	case t.Kind() == reflect.Map:
		return "not keys and values"
	case t.Kind() == reflect.String:
		return "no text"
	}
	return "no whole number"
}

func lineOfNode(n ast.Node) int {
	if tok := n.GetToken(); tok != nil && tok.Position != nil {
		return tok.Position.Line
	}
	return 0
}

var nextWord = regexp.MustCompile(`^[\s:]*([a-z_]+)(?: "([^"]*)")?`)

// lineOf finds the line that a complaint such as `route: tech "ines": shift: …` or
// `mqtt: broker "x": …` is about: it follows the complaint's words down the keys as
// far as they go. 0 where not even the first is a key.
func (t *configText) lineOf(complaint string) int {
	line, at := 0, t.root
	for {
		word := nextWord.FindStringSubmatch(complaint)
		if word == nil {
			return line
		}
		m, ok := at.(*ast.MappingNode)
		if !ok {
			return line
		}
		found := false
		for _, v := range m.Values {
			switch key := v.Key.GetToken().Value; {
			case key == word[1]:
				line, at, found = lineOfNode(v.Key), v.Value, true
			case key == word[1]+"s" && word[2] != "": // one of a list, by its id
				if item := itemOf(v.Value, word[2]); item != nil {
					line, at, found = lineOfNode(item), item, true
				}
			}
		}
		if !found {
			return line
		}
		complaint = complaint[len(word[0]):]
	}
}

// itemOf is the mapping of a list that has this id; nil if there is none.
func itemOf(n ast.Node, id string) ast.Node {
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		return nil
	}
	for _, item := range list.Values {
		m, ok := item.(*ast.MappingNode)
		if !ok {
			continue
		}
		for _, v := range m.Values {
			if v.Key.GetToken().Value == "id" && v.Value.GetToken().Value == id {
				return m
			}
		}
	}
	return nil
}

// told joins the problems of the text and further complaints, each with the file
// and, where it is known, its line, in the order of the file.
func (t *configText) told(name string, further error) error {
	all := slices.Clone(t.problems)
	for _, e := range apart(further) {
		all = append(all, configProblem{t.lineOf(e.Error()), e.Error()})
	}
	slices.SortStableFunc(all, func(a, b configProblem) int { return a.line - b.line })
	var out []error
	for _, p := range all {
		if p.line == 0 {
			out = append(out, fmt.Errorf("%s: %s", name, p.text))
			continue
		}
		out = append(out, fmt.Errorf("%s:%d: %s", name, p.line, p.text))
	}
	return errors.Join(out...)
}
