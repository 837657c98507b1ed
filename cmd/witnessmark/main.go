// Command witnessmark records what digital torque tools and dial indicators
// say while a unit is rebuilt, matches every reading to the job's current
// step, and names the missed fastener before it is covered.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	os.Exit(run(os.Args[1:]))
}

// run executes the command line and returns the exit status: 0 done, 1 not
// done, 2 a mistake in the command line.
func run(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	root := newRoot()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	var code exitCode
	if errors.As(err, &code) {
		if code.err != nil {
			fmt.Fprintln(os.Stderr, "witnessmark:", code.err)
		}
		return code.status
	}
	fmt.Fprintln(os.Stderr, "witnessmark:", err)
	return 1
}

// exitCode ends the program with a status of its own; err may be nil if all
// has been said.
type exitCode struct {
	status int
	err    error
}

// Error implements error.
func (e exitCode) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit status %d", e.status)
	}
	return e.err.Error()
}

// Unwrap gives the cause.
func (e exitCode) Unwrap() error { return e.err }

// usageError is a mistake in the command line: exit status 2.
func usageError(format string, args ...any) error {
	return exitCode{2, fmt.Errorf(format, args...)}
}
