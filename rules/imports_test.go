package rules

import (
	"go/parser"
	"go/token"
	"os"
	"strconv"
	"strings"
	"testing"
)

// allowed is what this package may import directly, and why. What decides must
// not read files, sockets, the clock or chance, log, or start goroutines.
var allowed = map[string]string{
	"cmp":                           "sorting",
	"bytes":                         "a reader over a snapshot in memory",
	"crypto/sha256":                 "a procedure's hash must agree with its text; the share of a job",
	"encoding/hex":                  "hashes are written in hexadecimal",
	"encoding/json":                 "the form of snapshots",
	"errors":                        "ErrSnapshot",
	"fmt":                           "texts for people",
	"maps":                          "keys, always sorted before they show",
	"math":                          "rounding, roots, not-a-number",
	"slices":                        "sorting and searching",
	"strconv":                       "numbers in texts and ids",
	"strings":                       "texts",
	"time":                          "dates, spans; never Now, never a timer: see below",
	"witnessmark/events":            "what is decided on, and what is decided",
	"witnessmark/events/quantity":   "values and limits",
	"witnessmark/rules/calibration": "what calibrations say of a tool, and when it is due",
	"witnessmark/rules/drift":       "charts over checks, and what production says of tools",
	"witnessmark/rules/recall":      "whether the span of a recall can be judged",
	"witnessmark/rules/learn":       "what the pulls of released jobs taught",
	"witnessmark/rules/residual":    "residual-torque audits",
	"witnessmark/rules/press":       "where in a pressing the part came home",
	"witnessmark/rules/trace":       "what a pull's trace tells",
	"witnessmark/rules/match":       "which fastener a pull was at",
	"witnessmark/rules/procedure":   "what is to be done",
	"witnessmark/rules/shims":       "which shims to fit, and whether the result agrees",
	"witnessmark/rules/gauge":       "guided measurements with indicators",
}

func TestImportsArePure(t *testing.T) {
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		src, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		tree, err := parser.ParseFile(token.NewFileSet(), f.Name(), src, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range tree.Imports {
			if p, _ := strconv.Unquote(i.Path.Value); allowed[p] == "" {
				t.Errorf("%s imports %s, which is not on the list", f.Name(), p)
			}
		}
		for _, bad := range []string{"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.NewTimer", "time.Tick", "\tgo ", "time.Local"} {
			if strings.Contains(string(src), bad) {
				t.Errorf("%s has %q", f.Name(), bad)
			}
		}
	}
}
