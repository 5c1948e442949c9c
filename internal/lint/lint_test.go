// Package lint reads holdfast's own sources and holds the rules of STYLE.md
// that no general checker knows.
package lint

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const unitPath = "holdfast/internal/unit"

// pkg is what the go command says of a package.
type pkg struct {
	ImportPath, Dir, Export string
	GoFiles                 []string
}

// load returns the module's packages and an importer that reads the compiler's
// export data of everything they import.
func load(t *testing.T) ([]pkg, *token.FileSet, types.Importer) {
	t.Helper()
	cmd := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Dir,Export,GoFiles", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list: %v: %s", err, exit.Stderr)
		}
		t.Fatal(err)
	}
	var ours []pkg
	export := map[string]string{}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		export[p.ImportPath] = p.Export
		if strings.HasPrefix(p.ImportPath, "holdfast/") {
			ours = append(ours, p)
		}
	}
	fset := token.NewFileSet()
	imp := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(export[path]) })
	return ours, fset, imp
}

// isUnit reports whether t is one of the unit types, and its name.
func isUnit(t types.Type) (string, bool) {
	n, ok := t.(*types.Named)
	if !ok || n.Obj().Pkg() == nil || n.Obj().Pkg().Path() != unitPath {
		return "", false
	}
	b, ok := n.Underlying().(*types.Basic)
	return n.Obj().Name(), ok && b.Kind() == types.Float64
}

var trig = map[string]bool{"Sin": true, "Cos": true, "Tan": true, "Sincos": true}

func TestSources(t *testing.T) {
	ours, fset, imp := load(t)
	for _, p := range ours {
		var files []*ast.File
		comments := 0
		for _, name := range p.GoFiles {
			f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			if f.Doc != nil {
				comments++
			}
			files = append(files, f)
		}
		if comments != 1 && len(files) > 0 {
			t.Errorf("%s: %d package comments, want one", p.ImportPath, comments)
		}
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
		conf := types.Config{Importer: imp}
		if _, err := conf.Check(p.ImportPath, fset, files, info); err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			documented(t, fset, f)
			if p.ImportPath != unitPath {
				units(t, fset, f, info)
			}
		}
	}
}

// closed is the list of unit types. A rate or a product is a struct field with
// the unit in its name, not a type.
var closed = []string{"ADU", "Arcmin", "Arcsec", "Celsius", "Day", "Deg", "Electron", "HPa", "Hour", "Kg", "MM", "MPS", "Mag", "Metre", "Micron", "Px", "Rad", "Scale", "Second", "SurfaceMag"}

// TestUnitsAreClosed holds package unit to the list.
func TestUnitsAreClosed(t *testing.T) {
	_, _, imp := load(t)
	p, err := imp.Import(unitPath)
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, name := range p.Scope().Names() {
		if tn, ok := p.Scope().Lookup(name).(*types.TypeName); ok && tn.Exported() {
			if _, ok := isUnit(tn.Type()); ok {
				have = append(have, name)
			}
		}
	}
	if !slices.Equal(have, closed) {
		t.Errorf("the unit types are %v, want %v", have, closed)
	}
}

// units rejects products of two unit values, and trigonometry on an angle that
// is not in radians.
func units(t *testing.T, fset *token.FileSet, f *ast.File, info *types.Info) {
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BinaryExpr:
			if n.Op != token.MUL || info.Types[n].Value != nil {
				return true
			}
			x, y := info.Types[n.X], info.Types[n.Y]
			name, isU := isUnit(x.Type)
			_, okY := isUnit(y.Type)
			// A conversion of a pure number, unit.MM(factor), scales; so does a constant.
			if isU && okY && !scales(n.X, info) && !scales(n.Y, info) {
				t.Errorf("%s: the product of two %s is not a %s", fset.Position(n.Pos()), name, name)
			}
		case *ast.CallExpr:
			sel, ok := n.Fun.(*ast.SelectorExpr)
			if !ok || len(n.Args) != 1 || !trig[sel.Sel.Name] {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); !ok || x.Name != "math" {
				return true
			}
			conv, ok := n.Args[0].(*ast.CallExpr)
			if !ok || len(conv.Args) != 1 || !info.Types[conv.Fun].IsType() {
				return true
			}
			if name, isU := isUnit(info.Types[conv.Args[0]].Type); isU && name != "Rad" {
				t.Errorf("%s: math.%s of a %s", fset.Position(n.Pos()), sel.Sel.Name, name)
			}
		}
		return true
	})
}

// scales reports whether e is a constant or the conversion of a bare number.
func scales(e ast.Expr, info *types.Info) bool {
	if info.Types[e].Value != nil {
		return true
	}
	if p, ok := e.(*ast.ParenExpr); ok {
		return scales(p.X, info)
	}
	call, ok := e.(*ast.CallExpr)
	if !ok || len(call.Args) != 1 || !info.Types[call.Fun].IsType() {
		return false
	}
	_, isU := isUnit(info.Types[call.Args[0]].Type)
	return !isU
}

// documented requires a doc comment on every exported function, method and
// type. A method of an unexported type needs none.
func documented(t *testing.T, fset *token.FileSet, f *ast.File) {
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && d.Doc == nil && (d.Recv == nil || exportedRecv(d.Recv)) {
				t.Errorf("%s: %s has no doc comment", fset.Position(d.Pos()), d.Name.Name)
			}
		case *ast.GenDecl:
			for _, s := range d.Specs {
				if ts, ok := s.(*ast.TypeSpec); ok && ts.Name.IsExported() && d.Doc == nil && ts.Doc == nil && ts.Comment == nil {
					t.Errorf("%s: type %s has no doc comment", fset.Position(ts.Pos()), ts.Name.Name)
				}
			}
		}
	}
}

// exportedRecv reports whether a receiver's type is exported.
func exportedRecv(l *ast.FieldList) bool {
	e := l.List[0].Type
	for {
		switch x := e.(type) {
		case *ast.StarExpr:
			e = x.X
		case *ast.IndexExpr:
			e = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return false
		}
	}
}
