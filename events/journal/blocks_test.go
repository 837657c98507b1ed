package journal

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"testing"

	"witnessmark/events"
)

// scanned reads the blocks of a closed journal without the server.
func scanned(t *testing.T, dir string) (got map[uint64]events.Written, bad int) {
	t.Helper()
	cfg := Config{Shop: "fenholt", Dir: dir}
	files, err := blockFiles(cfg.blocksDir())
	if err != nil {
		t.Fatal(err)
	}
	n := naming{cfg.Shop}
	got = map[uint64]events.Written{}
	for _, f := range files {
		b, err := os.ReadFile(f.path)
		if err != nil {
			t.Fatal(err)
		}
		spans, err := scanBlock(n.stream(), f.index, b, func(m laid) error {
			w, err := n.storedWritten(&m)
			got[m.Seq] = w
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		bad += len(spans)
	}
	return got, bad
}

// allWritten reads a journal through the server.
func allWritten(t *testing.T, dir string) map[uint64]events.Written {
	t.Helper()
	j := openAt(t, dir)
	defer j.Close()
	got := map[uint64]events.Written{}
	err := j.ReadWritten(context.Background(), 1, 0, func(ws []events.Written) error {
		for _, w := range ws {
			got[w.Seq] = w
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// The blocks say to this reader what they say to the server, by itself and
// whatever the server's version wrote: single messages, runs, atomic batches.
func TestBlocksAsTheServerReadsThem(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	for _, size := range []int{1, 5, 50} {
		evs := make([]events.Event, size)
		for i := range evs {
			evs[i] = events.Event{Source: "device/a", Time: 1, Subject: "job é 1", Data: events.LinkChanged{Detail: mark(i)}}
		}
		mustAppend(t, j, evs...)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	got, bad := scanned(t, dir)
	diff(t, "messages", got, allWritten(t, dir))
	if bad != 0 || len(got) != 56 {
		t.Errorf("%d messages, %d damaged places", len(got), bad)
	}
}

// One flipped bit anywhere in a block costs at most the message that it is in,
// never one behind it, and never gives a message that was not written.
func TestBlocksFlipped(t *testing.T) {
	dir := filled(t, 30)
	whole := allWritten(t, dir)
	path := block(t, dir)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	n := naming{"fenholt"}
	flips := 0
	for at := range b {
		for _, bit := range []byte{1 << (at % 8), 1 << ((at + 3) % 8)} {
			b[at] ^= bit
			lost := len(whole)
			_, err := scanBlock(n.stream(), 1, b, func(m laid) error {
				w, err := n.storedWritten(&m)
				if err != nil || w != whole[m.Seq] {
					return fmt.Errorf("message %d is %v, %v", m.Seq, w, err)
				}
				lost--
				return nil
			})
			if err != nil || lost > 1 {
				t.Fatalf("bit %d of byte %d: %d messages lost, %v", bit, at, lost, err)
			}
			b[at] ^= bit
			flips++
		}
	}
	t.Logf("%d bits flipped in %d bytes", flips, len(b))
}

// A cut tail costs the message that it cuts, and what is behind.
func TestBlocksCut(t *testing.T) {
	dir := filled(t, 30)
	b, err := os.ReadFile(block(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	for cut := 0; cut <= len(b); cut += 7 {
		n, last := 0, uint64(0)
		if _, err := scanBlock("wm-fenholt", 1, bytes.Clone(b[:cut]), func(m laid) error { n++; last = m.Seq; return nil }); err != nil || uint64(n) != last {
			t.Fatalf("cut at %d: %d messages, last %d, %v", cut, n, last, err)
		}
	}
}
