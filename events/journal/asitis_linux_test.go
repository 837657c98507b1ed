package journal

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// limitOf is the limit in the server's description of the journal's stream.
func limitOf(t *testing.T, dir string) int64 {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(Config{Shop: "fenholt", Dir: dir}.streamDir(), "meta.inf"))
	var meta struct {
		MaxBytes int64 `json:"max_bytes"`
	}
	if err = errors.Join(err, json.Unmarshal(b, &meta)); err != nil {
		t.Fatal(err)
	}
	return meta.MaxBytes
}

// limited makes a closed journal of 200 events that may have 1 GiB.
func limited(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	j := openAt(t, dir, func(c *Config) { c.MaxBytes = 1 << 30 })
	for i := range 200 {
		mustAppend(t, j, events.Event{Source: "device/0", Data: events.LinkChanged{Detail: mark(i)}})
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestAsItIs: who opens a journal without the shop's configuration changes neither
// its limit nor makes one where there is none; the service may raise it.
func TestAsItIs(t *testing.T) {
	dir := limited(t)
	for _, change := range []func(*Config){
		func(c *Config) { c.AsItIs, c.MaxBytes = true, 50<<30 },
		func(c *Config) { c.LookOnly, c.MaxBytes = true, 1<<20 },
	} {
		j := openAt(t, dir, change)
		if s := j.Stats(); s.MaxBytes != 1<<30 || s.Last != 200 {
			t.Errorf("stats %+v, want 200 entries and a limit of 1 GiB", s)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if got := limitOf(t, dir); got != 1<<30 {
			t.Errorf("the limit is %d now", got)
		}
	}
	if err := openAt(t, dir, func(c *Config) { c.MaxBytes = 2 << 30 }).Close(); err != nil || limitOf(t, dir) != 2<<30 {
		t.Errorf("the service's limit: %d, %v; want 2 GiB", limitOf(t, dir), err)
	}

	none := filepath.Join(t.TempDir(), "none")
	if _, err := Open(context.Background(), Config{Shop: "fenholt", Dir: none, AsItIs: true}); !errors.Is(err, ErrMissing) {
		t.Errorf("open where there is none: %v, want ErrMissing", err)
	}
	if _, err := os.Stat(none); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a directory was made: %v", err)
	}
	url := remote(t, t.TempDir(), -1, "sync_interval: always }").ClientURL()
	if _, err := Open(context.Background(), Config{Shop: "fenholt", URL: url, Shared: true, AsItIs: true, MaxBytes: 1 << 30}); !errors.Is(err, ErrMissing) {
		t.Errorf("open at a server without one: %v, want ErrMissing", err)
	}
	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	for name := range js.StreamNames(context.Background()).Name() {
		t.Errorf("stream %s was made", name)
	}
}

// TestLookOnly: a check does not let the server cut what is damaged; all stays
// byte for byte. What a kill has cut at the end is no damage.
func TestLookOnly(t *testing.T) {
	look := Config{Shop: "fenholt", MinFree: 1, LookOnly: true}
	for name, damage := range map[string]func(t *testing.T, dir string){
		"journal": func(t *testing.T, dir string) { flip(t, dir, 99); removeIndex(t, dir) },
		"photos": func(t *testing.T, dir string) {
			found, err := filepath.Glob(filepath.Join(dir, storeDir, "jetstream", "*", "streams", "OBJ_wm-photos-fenholt", "msgs", "1.blk"))
			if err != nil || len(found) != 1 {
				t.Fatal(found, err)
			}
			edit(t, found[0], func(b []byte) []byte { b[len(b)/3] ^= 1; return b })
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := limited(t)
			j := openAt(t, dir)
			for i := range 3 {
				data, _ := somePhoto(uint64(i), 1000)
				if _, err := j.PutPhoto(context.Background(), data); err != nil {
					t.Fatal(err)
				}
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			damage(t, dir)
			before := tree(t, dir)
			look.Dir = dir
			if _, err := Open(context.Background(), look); !errors.Is(err, ErrDamaged) {
				t.Errorf("open: %v, want ErrDamaged", err)
			}
			diff(t, "files", tree(t, dir), before)
		})
	}
	t.Run("cut by a kill", func(t *testing.T) {
		dir := limited(t)
		removeIndex(t, dir)
		edit(t, block(t, dir), func(b []byte) []byte { return append(b, b[:50]...) })
		look.Dir = dir
		j, err := Open(context.Background(), look)
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil || j.Last() != 200 {
			t.Errorf("last %d, %v", j.Last(), err)
		}
	})
}

// TestMendKeepsTheLimit: a store that is written anew may grow as far as the old
// one, also where the description of that is damaged and a copy tells it.
func TestMendKeepsTheLimit(t *testing.T) {
	for name, damage := range map[string]func(string){
		"flip": func(dir string) { flip(t, dir, 99) },
		"description too": func(dir string) {
			edit(t, filepath.Join(Config{Shop: "fenholt", Dir: dir}.streamDir(), "meta.inf"), func([]byte) []byte { return nil })
		},
	} {
		dir := limited(t)
		from := copied(t, dir)
		damage(dir)
		if m := mended(t, MendConfig{Dir: dir, From: []string{from}}); !m.Changed || limitOf(t, dir) != 1<<30 {
			t.Errorf("%s: changed %v, the limit is %d", name, m.Changed, limitOf(t, dir))
		}
	}
	dir := limited(t)
	toRemove(t, dir, []uint64{7, 8})
	was := limitOf(t, dir)
	if r := thin(t, dir); r.Removed != 2 || limitOf(t, dir) != was {
		t.Errorf("thinned out: %+v, the limit is %d, was %d", r, limitOf(t, dir), was)
	}
}
