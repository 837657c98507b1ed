package main

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"witnessmark/simulator"
)

// command runs a command line in this process.
func command(ctx context.Context, args ...string) (stdout string, err error) {
	var out bytes.Buffer
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(&out)
	root.SetErr(new(bytes.Buffer))
	err = root.ExecuteContext(ctx)
	return out.String(), err
}

// mustSay runs a command that must succeed and say something.
func mustSay(t *testing.T, want string, args ...string) {
	t.Helper()
	if out, err := command(t.Context(), args...); err != nil || !strings.Contains(out, want) {
		t.Errorf("%s: %q, %v, want %q", strings.Join(args, " "), out, err, want)
	}
}

// mustRefuse runs a command that must fail and say each of wants.
func mustRefuse(t *testing.T, wants []string, args ...string) {
	t.Helper()
	out, err := command(t.Context(), args...)
	if err == nil {
		t.Errorf("%s: %q, want it refused", strings.Join(args, " "), out)
		return
	}
	for _, w := range wants {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%s: %v, want it to say %q", strings.Join(args, " "), err, w)
		}
	}
}

// A mistake in the command line exits with 2, work that could not be done
// with 1.
func TestExitStatus(t *testing.T) {
	t.Chdir(t.TempDir())
	for name, text := range map[string]string{"wrong.yaml": "lisen: x\n", "right.yaml": benchProcedure()} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for line, want := range map[string]int{
		"sing": 2, "serve --loud": 2, "serve extra": 2, "audit": 2, "demo --json": 2, "demo --speed nan": 2, "job open j-1": 2,
		"serve --print-config -c wrong.yaml": 2, "procedure release right.yaml": 2,
		"audit j-1 --data none": 1, "serve --shop none.yaml": 1, "shop check none.yaml": 1, "job release j-1 --by x --server http://127.0.0.1:1": 1,
	} {
		_, err := command(t.Context(), strings.Fields(line)...)
		got := 1
		if code := (exitCode{}); errors.As(err, &code) {
			got = code.status
		}
		if err == nil || got != want {
			t.Errorf("%s: %v, exit status %d, want %d", line, err, got, want)
		}
	}
}

// Every command, and every group of commands, has a help that says more than
// its name, and every command that takes something shows an example.
func TestEveryCommandTeaches(t *testing.T) {
	var look func(c *cobra.Command)
	look = func(c *cobra.Command) {
		if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
			return
		}
		if len(c.Short) < 15 || strings.HasSuffix(c.Short, ".") {
			t.Errorf("%s: short help %q", c.CommandPath(), c.Short)
		}
		if out, err := command(t.Context(), append(strings.Fields(c.CommandPath())[1:], "--help")...); err != nil || !strings.Contains(out, "Usage:") {
			t.Errorf("%s --help: %q, %v", c.CommandPath(), out, err)
		}
		if strings.Contains(c.Use, " ") && c.Example == "" {
			t.Errorf("%s takes something and has no example", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			look(sub)
		}
	}
	look(newRoot())
}

// People work with a running service from the command line: they release a
// procedure, open a job, are refused its release with the open work named,
// pause it, go on elsewhere, hand it over, abandon it; and a rebuild is
// refused while the service runs.
func TestPeopleAtTheCommandLine(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	b.shop.Benches = benchShop(2).Benches
	b.start()
	defer func() { b.stop() }()
	dir := t.TempDir()
	file, shop := filepath.Join(dir, "bench.yaml"), filepath.Join(dir, "shop.yaml")
	if err := os.WriteFile(file, []byte(benchProcedure()), 0o644); err != nil {
		t.Fatal(err)
	}
	server := "--server=" + b.url()
	mustRefuse(t, []string{"nobody"}, "procedure", "release", file, "--by", "nobody", server)
	mustSay(t, "BENCH", "procedure", "release", file, "--by", "lead", server)
	open := []string{"job", "open", "j-1", "--unit", "SN-1", "--procedure", "BENCH", "--bench", "b00", "--by", "tech", server}
	mustRefuse(t, []string{"refused", "NONE"}, "job", "open", "j-1", "--unit", "SN-1", "--procedure", "NONE", "--bench", "b00", "--by", "tech", server)
	mustSay(t, "j-1 is open", open...)
	mustRefuse(t, []string{"refused", "j-1"}, open...)
	b.pull()
	until(t, "one pull counted", func() bool { return b.marks("j-1") == 1 })
	mustRefuse(t, []string{"refused", "\n  - ", "Joint"}, "job", "release", "j-1", "--by", "lead", server)
	mustSay(t, "is paused", "job", "pause", "j-1", "--by", "tech", "--note", "shift ends", server)
	mustSay(t, "goes on", "job", "resume", "j-1", "--bench", "b01", "--by", "lead", server)
	mustSay(t, "handed over", "job", "handover", "j-1", "--to", "tech", "--bench", "b00", "--by", "lead", server)
	b.pull()
	until(t, "two pulls counted", func() bool { return b.marks("j-1") == 2 })

	text, err := yaml.Marshal(map[string]any{"shop": b.shop.ID, "name": "Bench", "benches": []map[string]string{{"id": "b00", "name": "B"}}})
	if err == nil {
		err = os.WriteFile(shop, text, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, check := range []string{"--check=true", "--check=false"} {
		mustRefuse(t, []string{"use", b.cfg.Data}, "rebuild", check, "--data", b.cfg.Data, "--shop", shop)
	}
	mustRefuse(t, []string{"reason"}, "job", "abandon", "j-1", "--by", "lead", server)
	mustSay(t, "abandoned", "job", "abandon", "j-1", "--by", "lead", "--reason", "case cracked", server)
	mustSay(t, "abandoned", "job", "list", "--data", b.cfg.Data)
	mustSay(t, "case cracked", "audit", "j-1", "--data", b.cfg.Data)
}

// A demonstration that is stopped in the middle ends well, and what it leaves
// is whole: the ledger is what the journal says, no file is half written.
func TestDemoStoppedInTheMiddle(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = t.TempDir(), "127.0.0.1:0", "error"
	d, err := openDemo(ctx, cfg, demoOptions{speed: 1, seed: 2}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	pulls := 0
	d.saw = func(j simulator.Job, a simulator.Action) {
		if j.Bench != "axle" || a.Do != simulator.DoPull {
			return
		}
		if pulls++; pulls == 20 {
			stop()
		}
	}
	var said bytes.Buffer
	if err := errors.Join(d.run(ctx, &said, &said), d.rig.Close()); err != nil {
		t.Error(err)
	}
	shop := filepath.Join(t.TempDir(), "shop.yaml")
	if err := os.WriteFile(shop, exampleShop, 0o644); err != nil {
		t.Fatal(err)
	}
	mustSay(t, "j-1001", "job", "list", "--data", cfg.Data)
	mustSay(t, "is what", "rebuild", "--check", "--data", cfg.Data, "--shop", shop)
	noHalfFiles(t, cfg.Data)
}

func noHalfFiles(t *testing.T, dir string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		for _, end := range []string{".new", ".tmp", ".part", "-wal", "-journal"} {
			if strings.HasSuffix(p, end) {
				t.Errorf("left behind: %s", p)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// stopper stops a command once it has said something.
type stopper struct {
	said string
	stop context.CancelFunc
}

// Write implements io.Writer.
func (s *stopper) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte(s.said)) {
		s.stop()
	}
	return len(b), nil
}

// Without --data a demonstration leaves nothing behind.
func TestDemoLeavesNothing(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	root := newRoot()
	root.SetArgs([]string{"demo", "--listen", "127.0.0.1:0"})
	root.SetErr(&stopper{"Ctrl-C stops", stop})
	if err := root.ExecuteContext(ctx); err != nil {
		t.Error(err)
	}
	left, err := os.ReadDir(tmp)
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
