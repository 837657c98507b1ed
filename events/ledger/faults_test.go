package ledger

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"witnessmark/events"
)

// TestMain lets the test binary be the process that is killed.
func TestMain(m *testing.M) {
	if path := os.Getenv("WITNESSMARK_TEST_WRITE_TO"); path != "" {
		if err := writeForEver(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// writeForEver applies invented readings and prints the position after each
// batch, until the process is killed.
func writeForEver(path string) error {
	l, err := Open(context.Background(), Config{Path: path})
	if err != nil {
		return err
	}
	es := pairs(20_000)
	for i := 0; i < len(es); i += 37 {
		if err := l.Apply(context.Background(), es[i:min(i+37, len(es))]); err != nil {
			return err
		}
		fmt.Println(l.Position())
	}
	return nil
}

// TestKilledLedger kills the writing process without warning; what it said was
// applied is there, whole, and the rest follows.
func TestKilledLedger(t *testing.T) {
	path := newPath(t)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "WITNESSMARK_TEST_WRITE_TO="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var said uint64
	lines := bufio.NewScanner(out)
	for i := 0; i < 30 && lines.Scan(); i++ {
		if _, err := fmt.Sscan(lines.Text(), &said); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmd.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	l := open(t, path)
	at := l.Position()
	if at < said || at%37 != 0 {
		t.Fatalf("position %d after the kill, want a whole number of batches of 37 from %d on", at, said)
	}
	if err := l.Healthy(t.Context()); err != nil {
		t.Fatal(err)
	}
	es := pairs(2000)
	if got := dumpOf(t, l); got != atOnce(t, es[:at]) {
		t.Error("ledger after the kill is not what its position says")
	}
	apply(t, l, es)
	if got := dumpOf(t, l); got != atOnce(t, es) {
		t.Error("ledger differs after going on")
	}
}

// TestFullDisk: nothing of a batch that does not fit is there, Run says what
// is wrong and goes on once there is room.
func TestFullDisk(t *testing.T) {
	l := open(t, newPath(t))
	pages, err := l.write.number("PRAGMA page_count")
	if err != nil {
		t.Fatal(err)
	}
	limit := func(n int64) {
		t.Helper()
		if _, err := l.write.number(fmt.Sprintf("PRAGMA max_page_count=%d", n)); err != nil {
			t.Fatal(err)
		}
	}
	limit(pages + 3)
	es := pairs(500)
	err = l.Apply(t.Context(), es)
	if !errors.Is(err, errFull) || !strings.Contains(err.Error(), "make room") {
		t.Fatalf("error %v, want that the disk is full and what to do", err)
	}
	if l.Position() != 0 {
		t.Errorf("position %d, want 0", l.Position())
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	src := new(memory)
	src.append(es...)
	go func() { done <- l.Run(ctx, src) }()
	until(t, "trouble", func() bool { return l.Trouble() != nil })
	l.writing.Lock()
	limit(1 << 20)
	l.writing.Unlock()
	wait(t, l, 1000)
	until(t, "no trouble", func() bool { return l.Trouble() == nil })
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("Run returned %v, want the context's error", err)
	}
	if got := dumpOf(t, l); got != atOnce(t, es) {
		t.Error("ledger differs after the disk was full")
	}
}

// until waits for something that another goroutine does.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

func wait(t *testing.T, l *Ledger, seq uint64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	if err := l.WaitFor(ctx, seq); err != nil {
		t.Fatal(err)
	}
}

// closed makes a ledger with all of the invented journal in it, and closes it.
func closed(t *testing.T) string {
	t.Helper()
	path := newPath(t)
	l := open(t, path)
	apply(t, l, everything().stored(t))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// meddle runs a statement on a ledger file behind its back.
func meddle(t *testing.T, path, text string) {
	t.Helper()
	conn, err := openRaw(path, "_busy_timeout=1000")
	if err != nil {
		t.Fatal(err)
	}
	w := &writer{conn: conn}
	if err := w.exec(text); err != nil {
		t.Fatal(err)
	}
	if err := w.close(); err != nil {
		t.Fatal(err)
	}
}

func TestFilesThatCannotBeUsed(t *testing.T) {
	write := func(t *testing.T, path string, at int, b []byte) {
		t.Helper()
		old, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		copy(old[at:], b)
		if err := os.WriteFile(path, old, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cases := []struct {
		name  string
		spoil func(t *testing.T, path string)
		want  error
		todo  string
	}{
		{"newer form", func(t *testing.T, p string) { meddle(t, p, "PRAGMA user_version=99") }, ErrSchema, "witnessmark rebuild"},
		{"older form", func(t *testing.T, p string) { meddle(t, p, "PRAGMA user_version=0") }, ErrSchema, "witnessmark rebuild"},
		{"another program's file", func(t *testing.T, p string) { meddle(t, p, "PRAGMA application_id=7") }, ErrNotLedger, "move it away"},
		{"no database", func(t *testing.T, p string) { write(t, p, 0, []byte("what is this?")) }, ErrNotLedger, "move it away"},
		{"schema page overwritten", func(t *testing.T, p string) { write(t, p, 100, make([]byte, 500)) }, ErrBroken, "witnessmark rebuild"},
		{"cut off", func(t *testing.T, p string) {
			if err := os.Truncate(p, 5000); err != nil {
				t.Fatal(err)
			}
		}, ErrBroken, "witnessmark rebuild"},
	}
	for _, c := range cases {
		for _, readOnly := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, read only %v", c.name, readOnly), func(t *testing.T) {
				path := closed(t)
				c.spoil(t, path)
				l, err := Open(t.Context(), Config{Path: path, ReadOnly: readOnly})
				if err == nil {
					_ = l.Close()
				}
				if !errors.Is(err, c.want) || !strings.Contains(fmt.Sprint(err), c.todo) {
					t.Errorf("error %v, want %v with %q", err, c.want, c.todo)
				}
			})
		}
	}
}

// TestDamageInside is found by Healthy, and healed by Rebuild, which keeps the
// damaged file.
func TestDamageInside(t *testing.T) {
	path := closed(t)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := 4096 * 3; i < len(b); i += 4096 {
		b[i] ^= 0xff // the type byte of each page
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	l, err := Open(t.Context(), Config{Path: path, ReadOnly: true})
	if err == nil {
		err = l.Healthy(t.Context())
		_ = l.Close()
	}
	if !errors.Is(err, ErrBroken) {
		t.Errorf("error %v, want ErrBroken", err)
	}
	src := &memory{entries: everything().stored(t)}
	if err := Rebuild(t.Context(), src, path, nil); err != nil {
		t.Fatal(err)
	}
	if got := dumpOf(t, open(t, path)); got != atOnce(t, src.entries) {
		t.Error("rebuilt ledger differs")
	}
}

func TestReadOnly(t *testing.T) {
	_, err := Open(t.Context(), Config{Path: newPath(t), ReadOnly: true})
	if !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "witnessmark rebuild") {
		t.Errorf("error %v, want that there is none and what to do", err)
	}
	path := closed(t)
	l, err := Open(t.Context(), Config{Path: path, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := l.Apply(t.Context(), []events.Entry{{Seq: 1000}}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Apply gives %v, want ErrReadOnly", err)
	}
	if err := l.Run(t.Context(), new(memory)); !errors.Is(err, ErrReadOnly) {
		t.Errorf("Run gives %v, want ErrReadOnly", err)
	}
	if got := dumpOf(t, l); got != atOnce(t, everything().stored(t)) {
		t.Error("ledger differs when read only")
	}
}

func TestTwoWritersAreFound(t *testing.T) {
	path := newPath(t)
	a, b := open(t, path), open(t, path)
	es := everything().stored(t)
	apply(t, a, es[:5])
	if err := b.Apply(t.Context(), es[:5]); !errors.Is(err, ErrInUse) {
		t.Errorf("error %v, want ErrInUse", err)
	}
	apply(t, a, es[5:])
	if got := dumpOf(t, a); got != atOnce(t, es) {
		t.Error("ledger differs")
	}
}
