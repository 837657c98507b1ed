package main

import (
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/events/seal"
	"witnessmark/simulator"
)

// The demonstration's jobs are sealed at their release. Journal and record
// files hold against the seals; a figure changed in a record, a pull cut out
// of it, and another shop's key do not.
func TestSealedJournalAndRecord(t *testing.T) {
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.Kept, cfg.JournalMax = t.TempDir(), "127.0.0.1:0", "error", t.TempDir(), "1 GiB"
	d, err := openDemo(t.Context(), cfg, demoOptions{exit: true, speed: 1, seed: 5, rounds: 1, plain: true}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	defer d.rig.Close()
	if err := d.run(t.Context(), io.Discard, io.Discard); err != nil {
		t.Fatal(err)
	}
	shop := filepath.Join(t.TempDir(), "shop.yaml")
	if err := os.WriteFile(shop, exampleShop, 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := command(t.Context(), "verify", "--data", cfg.Data, "--shop", shop)
	if err != nil || !strings.Contains(out, "seals hold") {
		t.Fatalf("verify the journal: %v\n%s", err, out)
	}
	key := filepath.Join(cfg.Data, "seals", "key.pub")
	asItWas(t, cfg, shop)
	backedUp(t, cfg, shop, key)
	thinnedOut(t, cfg, shop)
	for _, job := range []string{"j-1001", "j-1002"} {
		name := sealedFile(t, cfg, d, job)
		if out, err := command(t.Context(), "verify", name, "--key", key); err != nil || !strings.Contains(out, "none missing") || strings.Contains(out, "Note:") {
			t.Errorf("verify %s: %v\n%s", job, err, out)
		}
		alter(t, name, func(r *seal.Record) {
			for i := range r.Entries {
				if e := &r.Entries[i]; e.Type == "witnessmark.reading.taken.v2" {
					e.Data = strings.Replace(e.Data, `"text":"`, `"text":"1`, 1)
					break
				}
			}
		})
		if out, err := command(t.Context(), "verify", name, "--key", key); err == nil || !strings.Contains(out, "is not what was sealed") {
			t.Errorf("verify %s with a figure changed: %v\n%s", job, err, out)
		}
		name = sealedFile(t, cfg, d, job)
		alter(t, name, func(r *seal.Record) {
			at := slices.IndexFunc(r.Entries, func(e seal.Proven) bool { return e.Type == "witnessmark.reading.taken.v2" })
			cause := `"cause":` + jsonOf(t, r.Entries[at].Seq) + ","
			r.Entries = slices.Delete(r.Entries, at, at+1)
			r.Entries = slices.DeleteFunc(r.Entries, func(e seal.Proven) bool { return strings.Contains(e.Data, cause) })
		})
		if out, err := command(t.Context(), "verify", name, "--key", key); err == nil || !strings.Contains(out, "were dropped") {
			t.Errorf("verify %s with a pull cut out: %v\n%s", job, err, out)
		}
	}
	other, err := seal.OpenKey(t.TempDir(), "fenholt")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := command(t.Context(), "verify", sealedFile(t, cfg, d, "j-1001"), "--key", other.Public); err == nil || !strings.Contains(err.Error(), "not signed by the key") {
		t.Errorf("verify with another key: %v", err)
	}
}

// backedUp checks what was kept elsewhere, and the commands of backups.
func backedUp(t *testing.T, cfg config, shop, key string) {
	t.Helper()
	dir, pass := t.TempDir(), filepath.Join(t.TempDir(), "pass")
	if err := os.WriteFile(pass, []byte("an invented passphrase\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
		fail bool
	}{
		{[]string{"verify", "--checkpoints", cfg.Kept, "--data", cfg.Data, "--shop", shop, "--key", key}, "kept elsewhere agree", false},
		{[]string{"verify", "--checkpoints", cfg.Kept, "--data", filepath.Join(dir, "none"), "--key", key}, "each continues the one before", false},
		{[]string{"verify", "--checkpoints", cfg.Kept, "--data", filepath.Join(dir, "none")}, "name it with --key", true},
		{[]string{"backup", filepath.Join(dir, "a"), "--data", cfg.Data, "--shop", shop}, "seals/key", false},
		{[]string{"backup", filepath.Join(dir, "a"), "--data", cfg.Data, "--shop", shop}, "is not empty", true},
		{[]string{"backup", filepath.Join(dir, "b"), "--data", cfg.Data, "--shop", shop, "--passphrase-file", pass}, "made and checked", false},
		{[]string{"backup", filepath.Join(dir, "b"), "--check"}, "is whole", false},
		{[]string{"restore", filepath.Join(dir, "b"), "--data", filepath.Join(dir, "new")}, "--passphrase-file", true},
		{[]string{"restore", filepath.Join(dir, "b"), "--data", filepath.Join(dir, "new"), "--passphrase-file", pass}, "the ledger is built", false},
		{[]string{"restore", filepath.Join(dir, "b"), "--data", filepath.Join(dir, "new"), "--passphrase-file", pass}, "is not empty", true},
		{[]string{"verify", "--data", filepath.Join(dir, "new"), "--shop", filepath.Join(dir, "new", "from-backup", "shop.yaml"), "--key", key, "--checkpoints", cfg.Kept}, "kept elsewhere agree", false},
		{[]string{"backup", filepath.Join(dir, "c"), "--move", "--data", filepath.Join(dir, "new"), "--shop", shop}, "made and checked", false},
		{[]string{"serve", "--data", filepath.Join(dir, "new"), "--shop", shop, "--listen", "127.0.0.1:0"}, "moved to other hardware", true},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute) // should 'serve' start
		out, err := command(ctx, c.args...)
		cancel()
		if err != nil {
			out += err.Error()
		}
		if (err != nil) != c.fail || !strings.Contains(out, c.want) {
			t.Errorf("%s: %s\nwant %q", strings.Join(c.args, " "), out, c.want)
		}
	}
}

func jsonOf(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// sealedFile writes the sealed record of a job into a file.
// asItWas: whoever looks at a stopped shop without its configuration leaves the
// limit of its store, and makes none in a directory that has none.
func asItWas(t *testing.T, cfg config, shop string) {
	t.Helper()
	for _, args := range [][]string{{"verify"}, {"mend"}, {"backup", filepath.Join(t.TempDir(), "copy")}, {"rebuild", "--check"}, {"retention", "plan"}} {
		what := args[0]
		if out, err := command(t.Context(), append(args, "--data", cfg.Data, "--shop", shop)...); err != nil {
			t.Errorf("%s: %v\n%s", what, err, out)
		}
		found, err := filepath.Glob(filepath.Join(cfg.Data, "journal", "jetstream", "jetstream", "*", "streams", "wm-*", "meta.inf"))
		if err != nil || len(found) != 1 {
			t.Fatal(found, err)
		}
		if b, err := os.ReadFile(found[0]); err != nil || !strings.Contains(string(b), `"max_bytes":1073741824,`) {
			t.Errorf("after %v the stream is %s, %v; want its limit to be 1 GiB still", args, b, err)
		}
		none := filepath.Join(t.TempDir(), "none")
		if out, err := command(t.Context(), append(args, "--data", none, "--shop", shop)...); err == nil || !strings.Contains(err.Error(), "--data") && !strings.Contains(err.Error(), "--from") {
			t.Errorf("%v where there is no journal: %v\n%s", args, err, out)
		}
		if _, err := os.Stat(filepath.Join(none, "journal", "jetstream")); err == nil {
			t.Errorf("%v made a journal", args)
		}
	}
}

func sealedFile(t *testing.T, cfg config, d *demonstration, job string) string {
	t.Helper()
	s, err := openStack(t.Context(), cfg, d.shop)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	from, err := s.ledger.OpenedAt(t.Context(), job)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := s.sealer.Record(t.Context(), job, from)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), job+".sealed.json")
	if err := os.WriteFile(name, []byte(jsonOf(t, rec)), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// alter changes a record file.
func alter(t *testing.T, name string, change func(*seal.Record)) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var r seal.Record
	if err := json.Unmarshal(b, &r); err != nil {
		t.Fatal(err)
	}
	change(&r)
	if err := os.WriteFile(name, []byte(jsonOf(t, r)), 0o644); err != nil {
		t.Fatal(err)
	}
}
