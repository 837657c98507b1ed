package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// A package imports only floors below its own. Packages of one family (rules
// and its packages, ingest and its packages, dashboards and its packages) may
// import each other.
var floors = []struct {
	family string // the package and all below it
	floor  int
}{
	// The longest family that fits comes first.
	{"events/quantity", 1},
	{"events/journal", 3},
	{"events/ledger", 3},
	{"events/seal", 3},
	{"events/backup", 4},
	{"events/retention", 4},
	{"events/trust", 2},
	{"events", 2},
	{"rules/service", 4},
	{"rules", 3},
	{"ingest/arrivals", 4},
	{"ingest", 3},
	{"simulator", 4},
	{"dashboards", 4},
	{"cmd", 5},
}

// pure is what the rules may import, and why. They have no files, sockets,
// SQL, logging, clock, chance or goroutines.
var pure = map[string]string{
	"bytes": "text", "cmp": "order", "errors": "errors", "fmt": "text", "iter": "loops", "maps": "maps",
	"slices": "lists", "sort": "order", "strconv": "numbers as text", "strings": "text",
	"unicode": "text", "unicode/utf8": "text", "regexp": "the form of ids and numbers in procedures",
	"math/bits": "sets of fasteners",
	"math":      "verdicts", "math/big": "exact numbers as people write them",
	"time":          "durations and instants that come with the input; never the clock, see clockCalls",
	"crypto/sha256": "the content hash of a procedure", "encoding/hex": "the content hash of a procedure",
	"encoding/json": "snapshots and schemas", "embed": "the schema and the demonstration procedures, at build time",
	"sync": "compiles the schema once; no goroutine is started",

	"gonum.org/v1/gonum/integrate/quad": "Gauss-Legendre points, for average run lengths and risks",
	"gonum.org/v1/gonum/mat":            "least squares and systems of equations",
	"gonum.org/v1/gonum/stat":           "means and variances",
	"gonum.org/v1/gonum/stat/distuv":    "normal, Student, F, beta and binomial distributions",

	"go.yaml.in/yaml/v3":                            "procedures are YAML",
	"github.com/santhosh-tekuri/jsonschema/v6":      "procedures are held to a schema",
	"github.com/santhosh-tekuri/jsonschema/v6/kind": "says what is wrong with a procedure",
}

// clockCalls are what asks for the time or waits.
var clockCalls = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}

// withoutIO is what an event type must not cost anybody.
var withoutIO = []string{"os", "io/fs", "net", "net/http", "database/sql", "log", "log/slog", "os/exec", "syscall"}

const module = "witnessmark/"

// source is one Go file, without its tests.
type source struct {
	pkg     string // path within the module
	file    string
	imports []string
	tree    *ast.File
}

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	root := filepath.Join("..", "..")
	set := token.NewFileSet()
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && d.Name() != ".." && p != root) {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") || strings.HasSuffix(p, "_test.go") {
			return nil
		}
		tree, err := parser.ParseFile(set, p, nil, 0)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		s := source{pkg: path.Dir(filepath.ToSlash(rel)), file: filepath.ToSlash(rel), tree: tree}
		for _, spec := range tree.Imports {
			name, _ := strconv.Unquote(spec.Path.Value)
			s.imports = append(s.imports, name)
		}
		all = append(all, s)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 20 {
		t.Fatalf("only %d files found: the test looks in the wrong place", len(all))
	}
	return all
}

func within(pkg, family string) bool { return pkg == family || strings.HasPrefix(pkg, family+"/") }

func floorOf(pkg string) (family string, floor int) {
	for _, f := range floors {
		if within(pkg, f.family) {
			return f.family, f.floor
		}
	}
	return "", 0
}

func TestImportsPointDown(t *testing.T) {
	for _, s := range sources(t) {
		family, floor := floorOf(s.pkg)
		if floor == 0 {
			t.Errorf("%s: package %s has no floor", s.file, s.pkg)
			continue
		}
		for _, name := range s.imports {
			other, ours := strings.CutPrefix(name, module)
			if !ours {
				continue
			}
			f, n := floorOf(other)
			switch {
			case f == family:
			case n == 0 || n >= floor:
				t.Errorf("%s (floor %d) imports %s (floor %d)", s.file, floor, name, n)
			case family == "simulator" && n > 2:
				t.Errorf("%s imports %s: two programs that share code can only agree", s.file, name)
			}
		}
	}
}

// forTests are packages that only tests import: they may read files.
var forTests = []string{"rules/internal/published"}

func TestOnlyTestsImportWhatIsForTests(t *testing.T) {
	for _, s := range sources(t) {
		for _, name := range s.imports {
			if slices.Contains(forTests, strings.TrimPrefix(name, module)) {
				t.Errorf("%s imports %s, which is for tests", s.file, name)
			}
		}
	}
}

func TestRulesArePure(t *testing.T) {
	seen := 0
	for _, s := range sources(t) {
		if !within(s.pkg, "rules") || within(s.pkg, "rules/service") || slices.Contains(forTests, s.pkg) {
			continue
		}
		seen++
		for _, name := range s.imports {
			if _, ok := pure[name]; !ok && !strings.HasPrefix(name, module) {
				t.Errorf("%s imports %s, which is not on the list of what pure rules need", s.file, name)
			}
		}
		ast.Inspect(s.tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s starts a goroutine", s.file)
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clockCalls, n.Sel.Name) {
					t.Errorf("%s asks the clock: time.%s", s.file, n.Sel.Name)
				}
			}
			return true
		})
	}
	if seen == 0 {
		t.Error("no rules found")
	}
}

// readers are the modules that event types may import all the same: they read
// JSON in one scan, and do no I/O.
var readers = []string{"github.com/go-json-experiment/json", "github.com/go-json-experiment/json/jsontext"}

// Importing an event type costs nobody a file or a socket, nor a module but
// the one that reads JSON.
func TestEventsDoNoIO(t *testing.T) {
	for _, s := range sources(t) {
		if s.pkg != "events" && s.pkg != "events/quantity" {
			continue
		}
		for _, name := range s.imports {
			first, _, _ := strings.Cut(name, "/")
			if slices.Contains(withoutIO, name) || strings.Contains(first, ".") && !slices.Contains(readers, name) {
				t.Errorf("%s imports %s", s.file, name)
			}
		}
	}
}
