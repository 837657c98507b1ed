package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// smallBlocks makes blocks as small as they can be, 32 KiB.
func smallBlocks(c *Config) { c.MaxBytes = 120_000 }

// killed makes the directory of a journal as a kill leaves it: the server's
// index is of an earlier stop in order, if there was one, and blocks have come
// since. It returns the last sequence.
func killed(t *testing.T, stopped bool) (dir string, last uint64) {
	t.Helper()
	open, dir := t.TempDir(), t.TempDir()
	rng := rand.New(rand.NewPCG(3, 5))
	var j *Journal
	some := func(n int) {
		for range n {
			evs := make([]events.Event, 1+rng.IntN(7))
			for i := range evs {
				evs[i] = events.Event{Source: fmt.Sprintf("device/%d", rng.IntN(9)), Data: events.LinkChanged{Detail: strings.Repeat("x", rng.IntN(400))}}
			}
			seqs := mustAppend(t, j, evs...)
			last = seqs[len(seqs)-1]
		}
	}
	j = openAt(t, open, smallBlocks)
	if some(8); stopped {
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		j = openAt(t, open, smallBlocks)
	}
	some(20)
	if err := os.CopyFS(dir, os.DirFS(open)); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, last
}

// serverSays starts a bare server on a journal's files, and returns what the
// stream is in its eyes, the index that it leaves behind, and what it complained of.
func serverSays(t *testing.T, dir string) (info *jetstream.StreamInfo, x *storeIndex, log string) {
	t.Helper()
	var said bytes.Buffer
	cfg, err := Config{Shop: "fenholt", Dir: dir, MaxBytes: 120_000, Log: slog.New(slog.NewTextHandler(&said, nil))}.withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	srv, _, err := startServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(context.Background(), cfg.stream())
	if err != nil {
		t.Fatal(err)
	}
	if info, err = s.Info(context.Background(), jetstream.WithSubjectFilter(">"), jetstream.WithDeletedDetails(true)); err != nil {
		t.Fatal(err)
	}
	nc.Close()
	stopServer(srv)
	return info, indexIn(t, dir), said.String()
}

func indexIn(t *testing.T, dir string) *storeIndex {
	t.Helper()
	cfg := Config{Shop: "fenholt", Dir: dir}
	b, err := os.ReadFile(filepath.Join(cfg.blocksDir(), indexFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	x, err := readIndex(cfg.stream(), b)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// look brings the index up to date as a start does.
func look(t *testing.T, dir string, known uint64) *storeIndex {
	t.Helper()
	j := &Journal{cfg: Config{Shop: "fenholt", Dir: dir}, names: naming{"fenholt"}, log: slog.New(slog.DiscardHandler)}
	if err := j.lookAtBlocks(known); err != nil {
		t.Fatal(err)
	}
	return indexIn(t, dir)
}

func copyOf(t *testing.T, dir string) string {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// The index that is brought up to date after a kill is the one that the server
// makes when it reads every block again, and the server believes it.
func TestIndexAsTheServerMakesIt(t *testing.T) {
	for _, stopped := range []bool{false, true} {
		dir, last := killed(t, stopped)
		old := indexIn(t, dir)
		if stopped == (old == nil) || old != nil && old.span.last >= last {
			t.Fatalf("stopped %v: the index is %v, %d are written: this test cannot tell", stopped, old, last)
		}
		bare := copyOf(t, dir)
		wantInfo, want, said := serverSays(t, bare)
		if stopped && !strings.Contains(said, "will rebuild") {
			t.Errorf("the server did not read its blocks again: this test cannot tell: %s", said)
		}
		if want.span.last != last || len(want.blocks) < 2 || len(want.subjects) != 9 {
			t.Fatalf("the server made %d blocks, %d subjects up to %d of %d", len(want.blocks), len(want.subjects), want.span.last, last)
		}
		in := func(dir string) string { return Config{Shop: "fenholt", Dir: dir}.blocksDir() }
		move := func(t *testing.T, dir string, change func([]byte) []byte) { // the index is only kept
			at := filepath.Join(in(dir), indexFile)
			b, err := os.ReadFile(at)
			if err != nil && stopped {
				t.Fatal(err)
			}
			if err := errors.Join(os.WriteFile(filepath.Join(dir, "index.kept"), b, 0o600), os.WriteFile(at, change(bytes.Clone(b)), 0o600)); err != nil {
				t.Fatal(err)
			}
		}
		tail := func(dir string) string {
			return filepath.Join(in(dir), fmt.Sprintf("%d.blk", want.lastBlock()))
		}
		for name, also := range map[string]func(t *testing.T, dir string){
			"killed": func(*testing.T, string) {},
			"in the middle of a write": func(t *testing.T, dir string) {
				edit(t, tail(dir), func(b []byte) []byte { return append(b, b[:100]...) })
			},
			"in the middle of bringing it up to date": func(t *testing.T, dir string) {
				if err := os.WriteFile(filepath.Join(in(dir), indexFile+".new"), []byte("half"), 0o600); err != nil {
					t.Fatal(err)
				}
			},
			"power cut, half an index": func(t *testing.T, dir string) {
				move(t, dir, func(b []byte) []byte { return b[:len(b)/2] })
			},
			"power cut, empty index": func(t *testing.T, dir string) {
				move(t, dir, func([]byte) []byte { return nil })
			},
		} {
			t.Run(fmt.Sprintf("stopped %v, %s", stopped, name), func(t *testing.T) {
				dir := copyOf(t, dir)
				also(t, dir)
				got := look(t, dir, last)
				if got == nil {
					t.Fatal("the index was left as it was")
				}
				diff(t, "index", fmt.Sprintf("%+v", *got), fmt.Sprintf("%+v", *want))
				info, _, said := serverSays(t, dir)
				if strings.Contains(said, "tream state") {
					t.Errorf("the server does not believe it: %s", said)
				}
				diff(t, "state", fmt.Sprintf("%+v", info.State), fmt.Sprintf("%+v", wantInfo.State))
			})
		}
		// A block that is new and empty yet, or holds nothing but the beginning of a write.
		for _, begun := range [][]byte{nil, []byte("12345678901234567890")} {
			dir := copyOf(t, dir)
			if err := os.WriteFile(filepath.Join(in(dir), fmt.Sprintf("%d.blk", want.lastBlock()+1)), begun, 0o600); err != nil {
				t.Fatal(err)
			}
			look(t, dir, last)
			if _, _, said := serverSays(t, dir); strings.Contains(said, "tream state") {
				t.Errorf("%d bytes in a new block: the server does not believe the index: %s", len(begun), said)
			}
			j := openAt(t, dir, smallBlocks)
			if seqs := mustAppend(t, j, ask("device/77", 1)); seqs[0] != last+1 || len(readAll(t, j, 1, 0)) != int(last+1) {
				t.Errorf("%d bytes in a new block: goes on at %d, want %d", len(begun), seqs[0], last+1)
			}
			if err := j.Close(); err != nil {
				t.Error(err)
			}
		}
	}
}

// What is not plain is left to the server: the index stays as it was.
func TestIndexLeftToTheServer(t *testing.T) {
	dir, last := killed(t, true)
	cfg := func(dir string) Config { return Config{Shop: "fenholt", Dir: dir} }
	block := func(dir string, n uint64) string {
		return filepath.Join(cfg(dir).blocksDir(), fmt.Sprintf("%d.blk", n))
	}
	old := indexIn(t, dir)
	known := last
	for name, change := range map[string]func(t *testing.T, dir string){
		"damaged": func(t *testing.T, dir string) {
			edit(t, block(dir, old.lastBlock()+1), func(b []byte) []byte { b[200] ^= 1; return b })
		},
		"damaged before the index": func(t *testing.T, dir string) {
			edit(t, block(dir, old.lastBlock()), func(b []byte) []byte { b[200] ^= 1; return b })
		},
		"a block is gone": func(t *testing.T, dir string) {
			if err := os.Remove(block(dir, old.lastBlock()+1)); err != nil {
				t.Fatal(err)
			}
		},
		"the index's last block is gone": func(t *testing.T, dir string) {
			if err := os.Remove(block(dir, old.lastBlock())); err != nil {
				t.Fatal(err)
			}
		},
		"the index's last block is cut": func(t *testing.T, dir string) {
			edit(t, block(dir, old.lastBlock()), func(b []byte) []byte { return b[:len(b)/3] })
		},
		"more is known to have been there": func(*testing.T, string) { known = last + 1 },
		"the index is of another journal": func(t *testing.T, dir string) {
			b, err := os.ReadFile(filepath.Join(cfg(filled(t, 5)).blocksDir(), indexFile))
			if err == nil {
				err = os.WriteFile(filepath.Join(cfg(dir).blocksDir(), indexFile), b, 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := copyOf(t, dir)
			known = last
			change(t, dir)
			before, err := os.ReadFile(filepath.Join(cfg(dir).blocksDir(), indexFile))
			if err != nil {
				t.Fatal(err)
			}
			look(t, dir, known)
			if after, err := os.ReadFile(filepath.Join(cfg(dir).blocksDir(), indexFile)); err != nil || !bytes.Equal(after, before) {
				t.Errorf("the index was changed (%v)", err)
			}
		})
	}
}

// A flipped bit or a cut in an index is noticed.
func TestIndexDamaged(t *testing.T) {
	dir := filled(t, 30)
	cfg := Config{Shop: "fenholt", Dir: dir}
	b, err := os.ReadFile(filepath.Join(cfg.blocksDir(), indexFile))
	if err != nil {
		t.Fatal(err)
	}
	for at := range b {
		b[at] ^= 1 << (at % 8)
		if _, err := readIndex(cfg.stream(), b); err == nil {
			t.Errorf("byte %d flipped: read as good", at)
		}
		b[at] ^= 1 << (at % 8)
		if _, err := readIndex(cfg.stream(), b[:at]); err == nil {
			t.Errorf("cut at %d: read as good", at)
		}
	}
}

// The same for the photos beside the journal.
func TestIndexOfPhotos(t *testing.T) {
	ctx, open, dir := context.Background(), t.TempDir(), t.TempDir()
	j := openAt(t, open)
	photo := func(i int) []byte { return bytes.Repeat([]byte{byte(i), 2, 3}, 70_000) }
	put := func(from, to int) (hash string) {
		for i := from; i < to; i++ {
			var err error
			if hash, err = j.PutPhoto(ctx, photo(i)); err != nil {
				t.Fatal(err)
			}
		}
		return hash
	}
	put(0, 2)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = openAt(t, open)
	hash := put(2, 5)
	if err := os.CopyFS(dir, os.DirFS(open)); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	in := func(dir string) *indexed {
		j := &Journal{cfg: Config{Shop: "fenholt", Dir: dir}, names: naming{"fenholt"}}
		_, photos := j.indexed()
		return photos
	}
	bare := copyOf(t, dir)
	if _, _, said := serverSays(t, bare); !strings.Contains(said, "will rebuild") {
		t.Errorf("the server did not read its blocks again: this test cannot tell: %s", said)
	}
	want, err := in(bare).newest()
	if err != nil {
		t.Fatal(err)
	}
	if err := in(dir).catchUpAll(nil); err != nil {
		t.Fatal(err)
	}
	got, err := in(dir).newest()
	if err != nil {
		t.Fatal(err)
	}
	got.written = want.written
	diff(t, "index", fmt.Sprintf("%+v", *got), fmt.Sprintf("%+v", *want))
	if got.span.messages == 0 {
		t.Error("there are no photos: this test cannot tell")
	}
	look(t, dir, 0)
	if _, _, said := serverSays(t, dir); strings.Contains(said, "tream state") {
		t.Errorf("the server does not believe it: %s", said)
	}
	j = openAt(t, dir)
	defer j.Close()
	if b, err := j.Photo(ctx, hash); err != nil || !bytes.Equal(b, photo(4)) {
		t.Errorf("the last photo: %d bytes, %v", len(b), err)
	}
}
