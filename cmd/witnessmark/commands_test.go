package main

import (
	"fmt"
	"net/http"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"go.uber.org/goleak"
)

// leakChecked are tests after which no goroutine of a service may be left.
type leakChecked struct{ *testing.M }

func (m leakChecked) Run() int {
	status := m.M.Run()
	http.DefaultClient.CloseIdleConnections()
	if err := goleak.Find(); status == 0 && err != nil {
		fmt.Fprintln(os.Stderr, "left over after all tests:", err)
		return 1
	}
	return status
}

func TestMain(m *testing.M) {
	testscript.Main(leakChecked{m}, map[string]func(){
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
