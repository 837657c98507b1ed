package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"witnessmark": func() { os.Exit(run(os.Args[1:])) },
	})
}

// Each script is a story at the command line: exit status, what is printed
// where, and which files are left behind.
func TestCommands(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/commands",
		Setup: func(e *testscript.Env) error {
			e.Setenv("TMPDIR", e.WorkDir)
			return nil
		},
	})
}
