package journal

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/goleak"

	"witnessmark/events"
)

// TestMain lets the test binary be the process that is killed, or that finds
// the directory in use.
func TestMain(m *testing.M) {
	switch os.Getenv("JOURNAL_TEST_AS") {
	case "":
		// Two that a server leaves behind: one where a block could not be written,
		// and one that waits up to half a minute for another server's answer.
		goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("github.com/nats-io/nats-server/v2/server.(*msgBlock).flushLoop"),
			goleak.IgnoreTopFunction("github.com/nats-io/nats-server/v2/server.(*stream).trySetupSourceConsumer.func3"))
	case "writer":
		os.Exit(writeUntilKilled(os.Getenv("JOURNAL_TEST_DIR")))
	case "opener":
		_, err := Open(context.Background(), Config{Shop: "fenholt", Dir: os.Getenv("JOURNAL_TEST_DIR")})
		fmt.Println(err, errors.Is(err, ErrInUse))
		os.Exit(0)
	case "thinner":
		os.Exit(thinUntilKilled(os.Getenv("JOURNAL_TEST_DIR"), os.Getenv("JOURNAL_TEST_STEP")))
	}
}

func runAs(role, dir string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "JOURNAL_TEST_AS="+role, "JOURNAL_TEST_DIR="+dir)
	cmd.Stderr = os.Stderr
	return cmd
}

// writeUntilKilled appends from many goroutines, in ones and in hundreds, and
// prints what was acknowledged: source, first number, sequences.
func writeUntilKilled(dir string) int {
	most, _ := strconv.ParseInt(os.Getenv("JOURNAL_TEST_MAX"), 10, 64) // 0: the default
	j, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir, MinFree: 1, MaxBytes: most})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	sizes := []int{1, 3, 200}
	if most > 0 {
		sizes = []int{1, 1, 14}
	}
	lines := make(chan string)
	for w := range 6 {
		go func() {
			source, n := fmt.Sprintf("device/%d", w), uint64(1)
			for {
				evs := make([]events.Event, sizes[w%3])
				for i := range evs {
					evs[i] = ask(source, n+uint64(i))
				}
				seqs, err := j.Append(context.Background(), evs...)
				if err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
				lines <- fmt.Sprintf("%s %d %v", source, n, seqs)
				n += uint64(len(evs))
			}
		}()
	}
	for l := range lines {
		fmt.Println(l)
	}
	return 0
}

// TestKill: after kill -9 everything acknowledged is there, once, where it
// was said to be, and the numbers go on.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	type place struct {
		source string
		number uint64
	}
	acked := map[place]uint64{}
	for round := range 3 {
		if round > 0 {
			// The writers number from 1 again: all that is there is a repeat.
			acked = map[place]uint64{}
		}
		cmd := runAs("writer", dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		for n := 0; lines.Scan(); n++ {
			source, rest, _ := strings.Cut(lines.Text(), " ")
			var first uint64
			fmt.Sscan(rest, &first)
			list := rest[strings.Index(rest, "[")+1 : strings.Index(rest, "]")]
			for i, f := range strings.Fields(list) {
				var seq uint64
				fmt.Sscan(f, &seq)
				acked[place{source, first + uint64(i)}] = seq
			}
			if n == 400 {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = cmd.Wait()
		j := openAt(t, dir)
		there := map[place]uint64{}
		for _, e := range readAll(t, j, 1, 0) {
			p := place{e.Source, e.Number}
			if there[p] != 0 {
				t.Fatalf("event %v is there twice, at %d and %d", p, there[p], e.Seq)
			}
			there[p] = e.Seq
		}
		for p, seq := range acked {
			if there[p] == 0 || seq != 0 && there[p] != seq {
				t.Errorf("round %d: event %v was acknowledged at %d, is at %d", round, p, seq, there[p])
			}
		}
		if len(j.Holes()) != 0 || len(acked) < 400 {
			t.Errorf("round %d: %d acknowledged, holes %v", round, len(acked), j.Holes())
		}
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestInUse: a second process, and a second journal in this one, are refused
// and told who has it.
func TestInUse(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	defer j.Close()
	_, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir})
	pid := fmt.Sprintf("process %d", os.Getpid())
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), pid) {
		t.Errorf("same process: %v, want ErrInUse naming %s", err, pid)
	}
	out, err := runAs("opener", dir).Output()
	if err != nil || !strings.Contains(string(out), pid) || !strings.Contains(string(out), "true") {
		t.Errorf("other process: %s %v, want ErrInUse naming %s", out, err, pid)
	}
}

// block returns the path of the stream's only block file.
func block(t testing.TB, dir string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, storeDir, "jetstream", "*", "streams", "wm-fenholt", "msgs", "*.blk"))
	if err != nil || len(found) != 1 {
		t.Fatal("block files:", found, err)
	}
	return found[0]
}

// filled makes a closed journal of n marked events, of two sources in turn.
func filled(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	j := openAt(t, dir)
	for i := range n {
		mustAppend(t, j, events.Event{Source: fmt.Sprintf("device/%d", i%2), Data: events.LinkChanged{Detail: mark(i)}})
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func mark(i int) string { return fmt.Sprintf("mark-%05d-mark", i) }

func edit(t *testing.T, path string, change func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, change(slices.Clone(b)), 0o600); err != nil {
		t.Fatal(err)
	}
}

// flip changes one bit of the payload of event i.
func flip(t *testing.T, dir string, i int) {
	edit(t, block(t, dir), func(b []byte) []byte {
		at := bytes.Index(b, []byte(mark(i)))
		if at < 0 {
			t.Fatal("mark not found on disk")
		}
		b[at] ^= 1
		return b
	})
}

func removeIndex(t *testing.T, dir string) {
	t.Helper()
	if err := os.Remove(filepath.Join(filepath.Dir(block(t, dir)), "index.db")); err != nil {
		t.Fatal(err)
	}
}

// TestFlip: JetStream leaves a damaged message out without a word; the journal
// says which, and reads on.
func TestFlip(t *testing.T) {
	dir := filled(t, 200)
	flip(t, dir, 99)
	j := openAt(t, dir)
	defer j.Close()
	got := readAll(t, j, 1, 0)
	if len(got) != 199 || got[98].Seq != 99 || got[99].Seq != 101 {
		t.Fatalf("read %d entries around %d and %d, want all but 100", len(got), got[98].Seq, got[99].Seq)
	}
	want := []Hole{{FromSeq: 100, ToSeq: 100}, {Source: "device/1", FromNumber: 50, ToNumber: 50, NextSeq: 102}}
	diff(t, "holes", j.Holes(), want)
	for _, h := range want {
		t.Log(h)
	}
	// Found once, whoever reads, and from wherever.
	readAll(t, j, 90, 110)
	readAll(t, j, 100, 100)
	diff(t, "holes after reading again", j.Holes(), want)
}

// TestFlipLast: the last event of a source is damaged. Its number is not given
// a second time.
func TestFlipLast(t *testing.T) {
	dir := filled(t, 20)
	flip(t, dir, 18)
	if err := os.Remove(filepath.Join(dir, identityFile)); err != nil {
		t.Fatal(err) // it would know
	}
	j := openAt(t, dir)
	defer j.Close()
	if got := j.LastNumber("device/0"); got != 10 {
		t.Errorf("last number %d, want 10", got)
	}
	if got := readAll(t, j, 1, 0); len(got) != 19 {
		t.Errorf("read %d entries, want 19", len(got))
	}
	diff(t, "holes", j.Holes(), []Hole{{FromSeq: 19, ToSeq: 19}})
}

// TestLostTail: with its index gone too, JetStream forgets what follows the
// damage and would give those sequences to new messages. The journal is not
// opened; if the loss is accepted, it shows.
func TestLostTail(t *testing.T) {
	damages := map[string]func(t *testing.T, dir string){
		"flip without index": func(t *testing.T, dir string) { flip(t, dir, 150); removeIndex(t, dir) },
		"cut": func(t *testing.T, dir string) {
			edit(t, block(t, dir), func(b []byte) []byte { return b[:len(b)-100] })
			removeIndex(t, dir)
		},
		"torn to nothing": func(t *testing.T, dir string) {
			edit(t, block(t, dir), func([]byte) []byte { return nil })
			removeIndex(t, dir)
		},
	}
	for name, damage := range damages {
		t.Run(name, func(t *testing.T) {
			dir := filled(t, 200)
			damage(t, dir)
			_, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir})
			var lost *TailLostError
			if !errors.As(err, &lost) || !errors.Is(err, ErrTailLost) || lost.Known != 200 || lost.Last >= 200 {
				t.Fatalf("open: %v, want ErrTailLost with 200 known", err)
			}
			j := openAt(t, dir, func(c *Config) { c.AcceptLoss = true })
			diff(t, "holes", j.Holes(), []Hole{{FromSeq: lost.Last + 1, ToSeq: 200}})
			if got := mustAppend(t, j, ask("device/1", 101)); got[0] != lost.Last+1 {
				t.Errorf("first append at %d, want %d", got[0], lost.Last+1)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = openAt(t, dir)
			defer j.Close()
			readAll(t, j, 1, 0)
			if h := j.Holes(); len(h) == 0 || h[len(h)-1].Source != "device/1" || h[len(h)-1].ToNumber != 100 {
				t.Errorf("holes %v: the lost numbers do not show", h)
			}
		})
	}
}

// TestMissing: a stream that was here is never made anew.
func TestMissing(t *testing.T) {
	stream := func(dir string) string { return filepath.Dir(filepath.Dir(block(t, dir))) }
	other := filled(t, 3)
	for name, damage := range map[string]func(dir string){
		"store removed": func(dir string) { os.RemoveAll(filepath.Join(dir, storeDir)) },
		"meta flipped": func(dir string) {
			edit(t, filepath.Join(stream(dir), "meta.inf"), func(b []byte) []byte { b[20] ^= 1; return b })
		},
		"meta and identity gone": func(dir string) {
			os.Remove(filepath.Join(stream(dir), "meta.inf"))
			os.Remove(filepath.Join(dir, identityFile))
		},
		"another journal": func(dir string) {
			os.RemoveAll(filepath.Join(dir, storeDir))
			if err := os.CopyFS(filepath.Join(dir, storeDir), os.DirFS(filepath.Join(other, storeDir))); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filled(t, 3)
			damage(dir)
			j, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir})
			if !errors.Is(err, ErrMissing) {
				t.Errorf("open: %v, want ErrMissing", err)
			}
			if j != nil {
				j.Close()
			}
		})
	}
	t.Run("another shop", func(t *testing.T) {
		dir := filled(t, 3)
		if _, err := Open(context.Background(), Config{Shop: "other", Dir: dir}); !errors.Is(err, ErrMissing) {
			t.Errorf("open: %v, want ErrMissing", err)
		}
	})
	t.Run("identity damaged", func(t *testing.T) {
		dir := filled(t, 3)
		edit(t, filepath.Join(dir, identityFile), func(b []byte) []byte { return b[:10] })
		if _, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir}); err == nil || !strings.Contains(err.Error(), identityFile) {
			t.Errorf("open: %v, want an error naming %s", err, identityFile)
		}
	})
	t.Run("identity lost", func(t *testing.T) {
		dir := filled(t, 3)
		os.Remove(filepath.Join(dir, identityFile))
		j := openAt(t, dir)
		id := j.Identity()
		j.Close()
		j = openAt(t, dir)
		defer j.Close()
		if j.Identity() != id || j.Last() != 3 {
			t.Errorf("identity %s then %s, last %d", id, j.Identity(), j.Last())
		}
	})
}

// TestHalfMade: a stop in the middle of making the stream needs no hands.
func TestHalfMade(t *testing.T) {
	for _, left := range []string{"", "meta.inf.tmp", "meta.inf"} {
		cfg := Config{Shop: "fenholt", Dir: t.TempDir()}
		if err := os.MkdirAll(cfg.blocksDir(), 0o750); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{filepath.Join(cfg.blocksDir(), "1.blk"), filepath.Join(cfg.streamDir(), left)} {
			if left == "" {
				continue
			}
			if err := os.WriteFile(name, nil, 0o640); err != nil {
				t.Fatal(err)
			}
		}
		for range 2 { // and it is there at the next start
			j := openAt(t, cfg.Dir)
			mustAppend(t, j, ask("desk", 0))
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestFull: at its size limit the journal refuses, keeps what it has, and
// takes up again when it may grow.
func TestFull(t *testing.T) {
	dir := t.TempDir()
	small := func(c *Config) { c.MaxBytes = 200 << 10 }
	j := openAt(t, dir, small)
	var n int
	var err error
	for ; err == nil && n < 5000; n += 50 {
		evs := make([]events.Event, 50)
		for i := range evs {
			evs[i] = events.Event{Source: "device/a", Number: uint64(n + i + 1), Data: events.LinkChanged{Detail: mark(n + i)}}
		}
		_, err = j.Append(context.Background(), evs...)
	}
	if !errors.Is(err, ErrFull) || !errors.Is(err, ErrNotStored) {
		t.Fatalf("append to a full journal: %v, want ErrFull", err)
	}
	if st := j.Stats(); st.State != StateFull || st.Restarts != 0 || st.Detail == "" || st.Bytes > st.MaxBytes {
		t.Errorf("stats %+v, want full, without a restart", st)
	}
	if got := readAll(t, j, 1, 0); uint64(len(got)) != j.Last() || j.LastNumber("device/a") != j.Last() {
		t.Errorf("%d entries can be read, last is %d, last number %d", len(got), j.Last(), j.LastNumber("device/a"))
	}
	last := j.Last()
	j.Close()
	j = openAt(t, dir)
	defer j.Close()
	mustAppend(t, j, ask("device/a", last+1))
	if st := j.Stats(); st.State != StateOK {
		t.Errorf("state %q after growing, want ok", st.State)
	}
}

// TestServerSaysFull: the same if our own count of bytes were wrong.
func TestServerSaysFull(t *testing.T) {
	for _, size := range []int{1, 5, 100} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			j := openAt(t, t.TempDir(), func(c *Config) { c.MaxBytes = 100 << 10 })
			defer j.Close()
			j.most = 1 << 30
			acked := 0
			var err error
			for err == nil && acked < 5000 {
				evs := make([]events.Event, size)
				for i := range evs {
					evs[i] = ask("device/a", 0)
				}
				if _, err = j.Append(context.Background(), evs...); err == nil {
					acked += size
				}
			}
			if !errors.Is(err, ErrNotStored) {
				t.Fatalf("append: %v, want ErrNotStored; %+v", err, j.Stats())
			}
			if st := j.Stats(); st.Restarts != 0 || st.State != StateFull {
				t.Errorf("stats %+v, want full, without a restart", st)
			}
			got := readAll(t, j, 1, 0)
			if len(got) < acked || uint64(len(got)) != j.Last() || j.LastNumber("device/a") != j.Last() || len(j.Holes()) != 0 {
				t.Errorf("%d acknowledged, %d there, last %d, last number %d, holes %v", acked, len(got), j.Last(), j.LastNumber("device/a"), j.Holes())
			}
		})
	}
}

// TestMinFree: the journal stops before the disk is full.
func TestMinFree(t *testing.T) {
	j := openAt(t, t.TempDir(), func(c *Config) { c.MinFree = 1 << 60 })
	defer j.Close()
	_, err := j.Append(context.Background(), ask("desk", 0))
	if !errors.Is(err, ErrFull) || j.Last() != 0 || j.Stats().State != StateFull {
		t.Errorf("append: %v, last %d, state %q; want ErrFull and nothing written", err, j.Last(), j.Stats().State)
	}
}

// TestSecondWriter: who else writes to the stream is noticed, and nothing is
// written over or after it.
func TestSecondWriter(t *testing.T) {
	for _, size := range []int{1, 5, 50} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			j := openAt(t, t.TempDir())
			defer j.Close()
			mustAppend(t, j, ask("desk", 0))
			putRaw(t, j, events.Event{Source: "device/x", Number: 1}, "witnessmark.time.reached.v1", []byte(`{"at_us":1}`))
			evs := make([]events.Event, size)
			for i := range evs {
				evs[i] = ask("desk", 0)
			}
			for range 2 {
				_, err := j.Append(context.Background(), evs...)
				if !errors.Is(err, ErrSecondWriter) || !errors.Is(err, ErrNotStored) {
					t.Fatalf("append: %v, want ErrSecondWriter", err)
				}
			}
			if st := j.Stats(); st.State != StateStuck || j.Last() != 1 {
				t.Errorf("stats %+v, want stuck at 1", st)
			}
		})
	}
}

// TestUnknownOutcome: the server's answer is lost, or the publish is. What is
// there is found and the rest sent: nothing twice, nothing out of order.
func TestUnknownOutcome(t *testing.T) {
	for _, size := range []int{1, 5, 50} {
		for _, lost := range []string{"answer", "publish"} {
			t.Run(fmt.Sprint(lost, size), func(t *testing.T) {
				j := openAt(t, t.TempDir())
				defer j.Close()
				mustAppend(t, j, ask("desk", 0))
				once := func() error {
					j.w.faults = faults{}
					return nats.ErrTimeout
				}
				if lost == "answer" {
					j.w.faults.after = once
				} else {
					j.w.faults.before = once
				}
				evs := make([]events.Event, size)
				for i := range evs {
					evs[i] = ask("desk", 0)
				}
				seqs := mustAppend(t, j, evs...)
				if seqs[0] != 2 || seqs[size-1] != uint64(size+1) {
					t.Errorf("sequences %v", seqs)
				}
				mustAppend(t, j, ask("desk", 0))
				for i, e := range readAll(t, j, 1, 0) {
					if e.Seq != uint64(i+1) || e.Number != e.Seq {
						t.Errorf("entry %d has number %d", e.Seq, e.Number)
					}
				}
				if st := j.Stats(); st.State != StateOK || st.Last != uint64(size+2) || st.Restarts != 1 {
					t.Errorf("stats %+v, want ok, %d entries, one restart", st, size+2)
				}
			})
		}
	}
}

// TestHealsItself: writing fails for a while; appends are refused quickly and
// go on afterwards without help, and readers do not notice.
func TestHealsItself(t *testing.T) {
	j := openAt(t, t.TempDir())
	defer j.Close()
	mustAppend(t, j, ask("desk", 0))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	live := make(chan events.Entry, 100)
	followed := make(chan error, 1)
	go func() {
		followed <- j.Follow(ctx, 1, func(es []events.Entry) error {
			for _, e := range es {
				live <- e
			}
			return nil
		})
	}()
	left := 4
	j.w.faults.before = func() error { // called by the writer alone
		if left--; left < 0 {
			return nil
		}
		return nats.ErrTimeout
	}
	_, err := j.Append(ctx, ask("desk", 2))
	if !errors.Is(err, ErrNotStored) || errors.Is(err, ErrUnknown) {
		t.Fatalf("append: %v, want ErrNotStored", err)
	}
	if st := j.Stats(); st.State != StateStuck {
		t.Errorf("state %q, want stuck", st.State)
	}
	eventually(t, func() bool { _, err = j.Append(ctx, ask("desk", 2)); return err == nil })
	if st := j.Stats(); st.State != StateOK || st.Last != 2 {
		t.Errorf("stats %+v, want ok at 2", st)
	}
	for want := range uint64(2) {
		if e := receive(t, live); e.Seq != want+1 {
			t.Errorf("follower got %d, want %d", e.Seq, want+1)
		}
	}
	cancel()
	receive(t, followed)
	if got := readAll(t, j, 1, 0); len(got) != 2 {
		t.Errorf("%d entries, want 2", len(got))
	}
}

// eventually waits until ok; its limit only ends a hang.
func eventually(t testing.TB, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("never so")
		}
	}
}

// TestReadsLeaveNothing: a read that has ended costs the server nothing. It
// takes a thousand consumers or so, and then no reader any more.
func TestReadsLeaveNothing(t *testing.T) {
	j := openAt(t, t.TempDir())
	defer j.Close()
	mustAppend(t, j, ask("desk", 0), ask("desk", 0), ask("desk", 0))
	for i := range 1200 {
		n := 0
		err := j.Read(context.Background(), uint64(1+i%3), 0, func(es []events.Entry) error {
			n += len(es)
			if i%5 == 0 {
				return errors.New("enough")
			}
			return nil
		})
		if n == 0 || err != nil && err.Error() != "enough" {
			t.Fatalf("read %d: %d entries, %v", i, n, err)
		}
	}
	info, err := j.session.stream.Info(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if info.State.Consumers > 2 {
		t.Errorf("%d consumers are left", info.State.Consumers)
	}
}
