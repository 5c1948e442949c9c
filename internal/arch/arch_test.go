// Package arch holds the architecture: which package may import which, and
// which are pure. Its test reads the sources; a package missing from the table
// fails the build.
package arch

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// room is one package's place: it may import packages of lower rank only, and
// a pure one touches no file, clock, network, log or hidden randomness.
type room struct {
	rank int
	pure bool
}

// rooms is the architecture.
var rooms = map[string]room{
	"internal/unit": {0, true},
	"internal/arch": {0, false}, // this test
	"internal/lint": {0, false}, // reads the sources

	"internal/num":     {1, true},
	"internal/fits":    {1, true},
	"internal/photo":   {1, true},
	"internal/testkit": {1, false}, // for tests only

	"internal/optics":   {2, true},
	"internal/mech":     {2, true},
	"internal/detector": {2, true},
	"internal/air":      {2, true},
	"internal/sky":      {2, true},
	"internal/psf":      {2, true},

	"internal/ledger":  {3, true}, // adds psf profiles up
	"internal/catalog": {3, true},
	"internal/rig":     {3, true},
	"internal/loop":    {3, true},
	"internal/frame":   {3, true},
	"internal/star":    {4, true},
	"internal/solve":   {4, true},
	"internal/series":  {5, true}, // what a guide camera measured through a night

	"internal/plan":  {5, true},
	"internal/synth": {5, true}, // draws frames

	"internal/fitting":   {6, true},
	"internal/rehearsal": {6, true}, // may not import ledger or plan
	"internal/proof":     {6, true}, // the ledger from evidence, and its causes

	"internal/app":    {7, false},
	"internal/report": {7, true},
	"internal/draw":   {7, true}, // drawings of results, for pages and printed reports

	"internal/print": {8, true}, // reports as HTML

	"internal/web": {9, false}, // the pages

	"cmd/holdfast":      {10, false},
	"internal/packer":   {10, false}, // builds the packed catalogue
	"internal/webbuild": {10, false}, // bundles the pages
}

// impure are the imports a pure package may not have.
var impure = map[string]bool{"os": true, "net": true, "net/http": true, "log": true, "log/slog": true, "database/sql": true, "math/rand": true}

// apart are packages that may not know of each other though their ranks would
// let them, not even through a third: a rehearsal is the second way to the star
// that the ledger predicts.
var apart = map[string][]string{"internal/rehearsal": {"internal/ledger", "internal/plan"}}

// TestApart: no way leads from a package to one it must not know.
func TestApart(t *testing.T) {
	imports := map[string]map[string]bool{}
	for pkg := range rooms {
		files, err := filepath.Glob(filepath.Join("../..", pkg, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		imports[pkg] = map[string]bool{}
		for _, path := range files {
			if strings.HasSuffix(path, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			for _, imp := range file.Imports {
				if name, err := strconv.Unquote(imp.Path.Value); err == nil {
					if inner, ok := strings.CutPrefix(name, "holdfast/"); ok {
						imports[pkg][inner] = true
					}
				}
			}
		}
	}
	for from, never := range apart {
		seen := map[string]bool{from: true}
		todo := []string{from}
		for len(todo) > 0 {
			pkg := todo[0]
			todo = todo[1:]
			for next := range imports[pkg] {
				if !seen[next] {
					seen[next] = true
					todo = append(todo, next)
				}
			}
		}
		for _, name := range never {
			if seen[name] {
				t.Errorf("%s leads to %s", from, name)
			}
		}
	}
}

func TestRooms(t *testing.T) {
	root := "../.."
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == ".git" || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		pkg := filepath.ToSlash(filepath.Dir(rel))
		here, ok := rooms[pkg]
		if !ok {
			t.Errorf("%s: package %s is not in the architecture table", rel, pkg)
			return nil
		}
		seen[pkg] = true
		src, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, src, 0)
		if err != nil {
			return err
		}
		test := strings.HasSuffix(path, "_test.go")
		for _, imp := range file.Imports {
			name, err := strconv.Unquote(imp.Path.Value)
			if err != nil {
				return err
			}
			if inner, ok := strings.CutPrefix(name, "holdfast/"); ok && !test {
				if r, known := rooms[inner]; !known || r.rank >= here.rank {
					t.Errorf("%s: %s (rank %d) imports %s (rank %d)", rel, pkg, here.rank, inner, r.rank)
				}
				if inner == "internal/testkit" {
					t.Errorf("%s: only tests import testkit", rel)
				}
			}
			if here.pure && !test && impure[name] {
				t.Errorf("%s: %s is pure and imports %s", rel, pkg, name)
			}
		}
		if here.pure && !test {
			ast.Inspect(file, func(n ast.Node) bool {
				if s, ok := n.(*ast.SelectorExpr); ok {
					if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && s.Sel.Name == "Now" {
						t.Errorf("%s: %s is pure and asks the clock", rel, pkg)
					}
				}
				return true
			})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var empty []string
	for name := range rooms {
		if !seen[name] {
			empty = append(empty, name)
		}
	}
	sort.Strings(empty)
	if len(empty) > 0 {
		t.Errorf("rooms without code: %s", strings.Join(empty, ", "))
	}
}
