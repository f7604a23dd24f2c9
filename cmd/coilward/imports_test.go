package main

import (
	"fmt"
	"go/ast"
	goparser "go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// rule forbids the packages below one path to import, or to use.
type rule struct {
	who    string // a package and those below it
	except string // packages below who, with those below them, by spaces; "": none
	what   string // an import path, a path with /... for all below too, or a function as pkg.Func
	why    string
}

// policy is who may import whom. Data flows collector → detect → alerts; imports
// run the other way.
var policy = []rule{
	{"coilward/detect", "coilward/detect/shard", "net/...", "a model is a function of state and readings"},
	{"coilward/detect", "coilward/detect/shard", "os/...", "a model is a function of state and readings"},
	{"coilward/detect", "", "time.Now", "a model knows only the time it is told"},
	{"coilward/detect", "", "time.Since", "a model knows only the time it is told"},
	{"coilward/detect", "", "time.Sleep", "a model knows only the time it is told"},
	{"coilward/detect", "coilward/detect/learn coilward/detect/assess", "math/rand/...", "the same readings must give the same findings"},
	{"coilward/detect", "", "coilward/collector/simulate/...", "a model tested on its own physics proves nothing"},
	{"coilward/collector/simulate", "", "coilward/detect", "a simulator that shares the model's physics proves nothing"},
	{"coilward/collector/simulate", "", "coilward/detect/thermal", "a simulator that shares the model's physics proves nothing"},
	{"coilward/collector/simulate", "", "coilward/detect/feature", "a simulator that shares the model's physics proves nothing"},
	{"coilward/collector/quantity", "", "coilward/...", "units depend on nothing"},
	{"coilward/collector/senml", "", "coilward/...", "the format knows nothing of cabinets"},
	{"coilward/collector", "", "coilward/alerts/...", "data flows from readings to findings to alerts"},
	{"coilward/detect", "", "coilward/alerts/...", "data flows from readings to findings to alerts"},
	{"coilward/detect", "coilward/detect/shard", "coilward/collector/history/...", "models do not know where readings are kept"},
	{"coilward/detect", "", "coilward/collector/mqtt/...", "models do not know how readings come"},
	{"coilward/detect", "", "coilward/collector/broker/...", "models do not know how readings come"},
	{"coilward/alerts", "", "coilward/detect/shard/...", "alerts take findings, not machines"},
	{"coilward/alerts", "", "coilward/collector/mqtt/...", "the consumer declares the interface it publishes through"},
	{"coilward/alerts", "", "coilward/collector/broker/...", "the consumer declares the interface it publishes through"},
	{"coilward/alerts", "", "coilward/collector/history/...", "screens read the history through an interface of their own"},
	{"coilward/alerts/route", "coilward/alerts/route/roads", "net/...", "a plan is a function of the problem"},
	{"coilward/alerts/route", "coilward/alerts/route/roads", "time.Now", "a plan knows only the time it is told"},
	{"coilward/alerts/visit", "", "net/...", "a visit is a value, and what follows from it a function"},
	{"coilward/alerts/visit", "", "time.Now", "a visit knows only the time it is told"},
	{"coilward", "coilward/cmd", "coilward/alerts/board/...", "the screens are the last stage: only the wiring knows them"},
	{"coilward", "coilward/cmd", "coilward/cmd/...", "nothing depends on the wiring"},
}

// excepted reports whether the package is one of the exceptions.
func excepted(pkg string, r *rule) bool {
	return slices.ContainsFunc(strings.Fields(r.except), func(e string) bool { return below(pkg, e) })
}

// below reports whether the package is root or below it.
func below(pkg, root string) bool {
	return root != "" && (pkg == root || strings.HasPrefix(pkg, root+"/"))
}

// breaches lists what in a file breaks the policy.
func breaches(pkg string, file *ast.File) []string {
	var out []string
	names := map[string]string{} // by which the file knows its imports
	for _, imp := range file.Imports {
		imported, _ := strconv.Unquote(imp.Path.Value)
		name := path.Base(imported)
		if imp.Name != nil {
			name = imp.Name.Name
		}
		names[name] = imported
		for _, r := range policy {
			root, all := strings.CutSuffix(r.what, "/...")
			if below(pkg, r.who) && !excepted(pkg, &r) && !below(imported, pkg) && (imported == root || all && below(imported, root)) {
				out = append(out, fmt.Sprintf("%s imports %s: %s", pkg, imported, r.why))
			}
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := s.X.(*ast.Ident); ok && x.Obj == nil && names[x.Name] != "" {
			used := names[x.Name] + "." + s.Sel.Name
			for _, r := range policy {
				if r.what == used && below(pkg, r.who) && !excepted(pkg, &r) {
					out = append(out, fmt.Sprintf("%s uses %s: %s", pkg, used, r.why))
				}
			}
		}
		return true
	})
	return out
}

func TestImports(t *testing.T) {
	root := filepath.Join("..", "..")
	files := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && name != root) {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return nil
		}
		src, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		file, err := goparser.ParseFile(token.NewFileSet(), name, src, 0)
		if err != nil {
			return err
		}
		dir, err := filepath.Rel(root, filepath.Dir(name))
		if err != nil {
			return err
		}
		files++
		for _, b := range breaches(path.Join("coilward", filepath.ToSlash(dir)), file) {
			t.Errorf("%s: %s", name, b)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 100 {
		t.Errorf("only %d files were looked at", files)
	}
}

// The policy notices what it forbids, and lets the rest be.
func TestImportsNoticesBreaches(t *testing.T) {
	for _, c := range []struct {
		pkg, src string
		bad      int
	}{
		{"coilward/detect/thermal", `import "net/http"`, 1},
		{"coilward/detect/thermal", `import "os"`, 1},
		{"coilward/detect/shard", `import "os"`, 0},
		{"coilward/detect", `import "time"; var x = time.Now()`, 1},
		{"coilward/detect", `import clock "time"; var x = clock.Now`, 1},
		{"coilward/detect", `import "time"; var x = time.Hour`, 0},
		{"coilward/detect/shard", `import "time"; var x = time.Now()`, 1},
		{"coilward/detect/feature", `import "coilward/collector/simulate"`, 1},
		{"coilward/collector", `import "coilward/alerts"`, 1},
		{"coilward/alerts/notify", `import "coilward/alerts/board"`, 1},
		{"coilward/cmd/coilward", `import "coilward/alerts/board"`, 0},
		{"coilward/alerts", `import "coilward/detect"`, 0},
	} {
		file, err := goparser.ParseFile(token.NewFileSet(), "planted.go", "package p; "+c.src, 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := breaches(c.pkg, file); len(got) != c.bad {
			t.Errorf("%s with %s: %q, want %d breaches", c.pkg, c.src, got, c.bad)
		}
	}
}
