package seal

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// sealedElsewhere seals a journal of two jobs twice, with checkpoints sent to
// place, and waits until have says that all are there.
func sealedElsewhere(t *testing.T, s *shop, place string, have func() bool) *Sealer {
	t.Helper()
	x, err := New(t.Context(), Config{Journal: s.j, Dir: t.TempDir(), Shop: "fenholt", Elsewhere: []string{place}, Now: func() time.Time { return day.Time() }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- x.Run(ctx) }()
	t.Cleanup(func() { _ = x.Close() })
	s.work()
	if _, err := x.Seal(ctx, WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the first checkpoint", have)
	s.pull("j-3", 61, "1")
	s.pull("j-3", 62, "2")
	last, err := x.Seal(ctx, WhyAsked, "")
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, "the last checkpoint", func() bool {
		kept, err := ReadKept(place, []string{x.Public()})
		if strings.HasPrefix(place, "http") {
			return have()
		}
		return err == nil && len(kept) > 0 && kept[len(kept)-1].Size == last.Size
	})
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	return x
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for limit := time.Now().Add(5 * time.Minute); !is(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("never: ", what)
		}
	}
}

func files(t *testing.T, dir string) []string {
	t.Helper()
	fs, err := filepath.Glob(filepath.Join(dir, "*"+keptEnd))
	if err != nil {
		t.Fatal(err)
	}
	return fs
}

// Checkpoints that are kept elsewhere agree with the journal and with each
// other; and show a history that was written anew with the key itself.
func TestKeptElsewhere(t *testing.T) {
	s, dir := newShop(t), t.TempDir()
	x := sealedElsewhere(t, s, dir, func() bool { return len(files(t, dir)) > 0 })
	keys := []string{x.Public()}
	kept, err := ReadKept(dir, keys)
	if err != nil || len(kept) < 2 {
		t.Fatalf("kept: %v, %v; want two or more", kept, err)
	}
	if r := CheckKept(kept, "fenholt"); !r.OK() || len(r.Notes) > 0 {
		t.Errorf("kept checkpoints among themselves: %s", r.Text())
	}
	if r, err := VerifyAgainst(t.Context(), s.j, x.cfg.Dir, "fenholt", keys, dir, nil); err != nil || !r.OK() || r.Kept != len(kept) {
		t.Errorf("journal against them: %+v, %v", r, err)
	}

	// The same events but for one figure, sealed anew by whoever has the key.
	forged := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
		for i := range ws {
			ws[i].Data = strings.Replace(ws[i].Data, "61.0", "71.0", 1)
			ws[i].Data = strings.Replace(ws[i].Data, "j-2", "j-4", 1)
		}
		return ws
	}}
	again := t.TempDir()
	for _, name := range []string{keyFile, publicFile} {
		b, err := os.ReadFile(filepath.Join(x.cfg.Dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(again, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	y, err := New(t.Context(), Config{Journal: forged, Dir: again, Shop: "fenholt", Elsewhere: []string{dir}})
	if err != nil {
		t.Fatal(err)
	}
	defer y.Close()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- y.Run(ctx) }()
	if _, err := y.Seal(ctx, WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	eventually(t, "trouble", func() bool { return strings.Contains(y.Trouble(), "kept elsewhere") })
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if r, err := VerifyJournal(t.Context(), forged, again, "fenholt", keys, nil); err != nil || !r.OK() {
		t.Fatalf("the forgery should agree with its own seals: %+v, %v", r, err)
	}
	r, err := VerifyAgainst(t.Context(), forged, again, "fenholt", keys, dir, nil)
	if err != nil || r.OK() || !strings.Contains(r.Text(), "rewritten") {
		t.Errorf("forgery against what was kept elsewhere: %+v, %v", r, err)
	}

	// A journal that lost its end, all its seals with it.
	short := tampered{Memory: s.j, last: kept[0].Size, change: func(ws []events.Written) []events.Written { return ws }}
	if r, err := VerifyAgainst(t.Context(), short, again, "fenholt", keys, dir, nil); err != nil || r.OK() {
		t.Errorf("short journal: %+v, %v", r, err)
	}
	// A kept checkpoint that was altered is not taken for one; a forged proof is found.
	b, err := os.ReadFile(files(t, dir)[1])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(files(t, dir)[1], []byte(strings.Replace(string(b), "\n\nwitnessmark/", "\n\nwitnessmerk/", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadKept(dir, keys); err == nil {
		t.Error("read an altered checkpoint")
	}
	kept[1].proof = append(kept[1].proof[:0:0], kept[1].proof...)
	kept[1].proof[0][3] ^= 1
	if r := CheckKept(kept, "fenholt"); r.OK() {
		t.Error("a wrong proof was not found")
	}
}

// A witness gets each checkpoint with the proof from what it has, also if it
// has forgotten all or begins in the middle.
func TestWitness(t *testing.T) {
	s := newShop(t)
	var mu sync.Mutex
	var has Kept
	var got, refused int
	var keys []string
	w := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		b, _ := io.ReadAll(r.Body)
		_, text, _ := strings.Cut(string(b), "\n\n")
		vs, err := Verifiers(keys)
		k, perr := parseKept(b, vs)
		switch {
		case r.URL.Path != "/w/add-checkpoint" || err != nil || text == "":
			http.Error(w, "bad", http.StatusBadRequest)
		case perr != nil:
			http.Error(w, perr.Error(), http.StatusForbidden)
		case k.old != has.Size:
			refused++
			w.Header().Set("Content-Type", "text/x.tlog.size")
			w.WriteHeader(http.StatusConflict)
			fmt.Fprintln(w, has.Size)
		case has.Size > 0 && tlog.CheckTree(k.proof, int64(k.Size), k.Root, int64(has.Size), has.Root) != nil:
			http.Error(w, "no proof", http.StatusUnprocessableEntity)
		default:
			has = k
			got++
		}
	}))
	defer w.Close()
	dir := t.TempDir()
	key, err := OpenKey(dir, "fenholt")
	if err != nil {
		t.Fatal(err)
	}
	keys = []string{key.Public}
	s.work()
	run := func(want int) {
		t.Helper()
		x, err := New(t.Context(), Config{Journal: s.j, Dir: dir, Shop: "fenholt", Elsewhere: []string{w.URL + "/w"}})
		if err != nil {
			t.Fatal(err)
		}
		defer x.Close()
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- x.Run(ctx) }()
		s.pull("j-3", 61, "1")
		made, err := x.Seal(ctx, WhyAsked, "")
		if err != nil {
			t.Fatal(err)
		}
		eventually(t, "a checkpoint at the witness", func() bool { mu.Lock(); defer mu.Unlock(); return got >= want && has.Size == made.Size })
		cancel()
		if err := <-ended; err != nil || x.Trouble() != "" {
			t.Fatal(err, x.Trouble())
		}
	}
	run(1)
	run(2) // a new process does not know what the witness has, and learns it
	if refused == 0 {
		t.Error("the witness never had to say what it has")
	}
}
