package backup

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/journal"
)

const pass = "four words that nobody guesses"

// streams is a source that needs no server.
type streams map[string]string

func (s streams) CopyOut(_ context.Context, what string, begin func(journal.Copy) error, w io.Writer) error {
	b, ok := s[what]
	if !ok {
		return journal.ErrPhotoMissing
	}
	if err := begin(journal.Copy{Stream: "S_" + what, Last: uint64(len(b)), Bytes: uint64(len(b)), Config: json.RawMessage("{}"), State: json.RawMessage("{}")}); err != nil {
		return err
	}
	_, err := io.WriteString(w, b)
	return err
}

type failer interface {
	Helper()
	Fatal(args ...any)
}

func put(t failer, name, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// plan is a backup of invented files under root.
func plan(t failer, root string) Plan {
	t.Helper()
	put(t, filepath.Join(root, "data/journal/journal.json"), `{"shop":"fenholt"}`)
	put(t, filepath.Join(root, "data/seals/key.pub"), "a public key\n")
	put(t, filepath.Join(root, "data/seals/key"), "the signing key\n")
	put(t, filepath.Join(root, "shop.yaml"), "shop: fenholt\n")
	put(t, filepath.Join(root, "profiles/a/one.yaml"), "one\n")
	put(t, filepath.Join(root, "profiles/two.yaml"), "")
	return Plan{Dir: filepath.Join(root, "backup"), Data: filepath.Join(root, "data"), Shop: "fenholt", Source: streams{journal.CopyEvents: "all events", journal.CopyPhotos: "all photos"},
		Config: map[string]string{"shop.yaml": filepath.Join(root, "shop.yaml"), "profiles": filepath.Join(root, "profiles"), "not": filepath.Join(root, "not-there")},
		Secret: map[string]string{"seals/key": filepath.Join(root, "data/seals/key"), "none": filepath.Join(root, "none")},
		Now:    time.Date(2026, 11, 29, 8, 30, 15, 123, time.FixedZone("CET", 3600))}
}

func made(t failer, p Plan) *Manifest {
	t.Helper()
	m, err := Make(context.Background(), p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// The manifest says what is there: each file with the size and the SHA-256 that
// the standard library finds, and nothing else.
func TestManifest(t *testing.T) {
	p := plan(t, t.TempDir())
	var told []string
	p.Progress = func(what string, done, total uint64) { told = append(told, what) }
	m := made(t, p)
	want := map[string]string{"events.stream": "all events", "photos.stream": "all photos", "journal.json": `{"shop":"fenholt"}`, "seals/key.pub": "a public key\n",
		"config/shop.yaml": "shop: fenholt\n", "config/profiles/a/one.yaml": "one\n", "config/profiles/two.yaml": ""}
	got := map[string]string{}
	for _, f := range m.Files {
		b, err := os.ReadFile(filepath.Join(p.Dir, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(b)
		if f.Size != int64(len(b)) || f.SHA256 != hex.EncodeToString(sum[:]) {
			t.Errorf("%+v, but it has %d bytes, %x", f, len(b), sum)
		}
		got[f.Name] = string(b)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
	if m.Shop != "fenholt" || m.Last != 10 || m.Secrets || !cmp.Equal(m.LeftOut, []string{"seals/key"}) || m.MadeAt != time.Date(2026, 11, 29, 7, 30, 15, 0, time.UTC) {
		t.Errorf("manifest: %+v", m)
	}
	read, err := Check(t.Context(), p.Dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m, read); diff != "" {
		t.Errorf("as read (-made +read):\n%s", diff)
	}
	if len(told) == 0 {
		t.Error("no progress was told")
	}
	// A state that is the same has the same identity, another one another.
	root := t.TempDir()
	if again := made(t, plan(t, root)); again.ID != m.ID {
		t.Errorf("the same state: %s and %s", m.ID, again.ID)
	}
	other := plan(t, t.TempDir())
	put(t, filepath.Join(other.Data, "seals/key.pub"), "another key\n")
	if o := made(t, other); o.ID == m.ID {
		t.Error("another state has the same identity")
	}
}

// What a directory can suffer between being made and being read is found and
// named, whatever mixture of it: bytes altered, cut, added, files gone, renamed,
// exchanged, added.
func TestCheckFindsWhatWasDone(t *testing.T) {
	root := t.TempDir()
	p := plan(t, root)
	p.Passphrase = pass
	m := made(t, p)
	names := []string{manifestFile, sumFile}
	for _, f := range m.Files {
		names = append(names, f.Name)
	}
	good := map[string][]byte{}
	for _, name := range names {
		b, err := os.ReadFile(filepath.Join(p.Dir, name))
		if err != nil {
			t.Fatal(err)
		}
		good[name] = b
	}
	tries := 0
	rapid.Check(t, func(t *rapid.T) {
		touched := map[string]bool{}
		var extra []string
		for range rapid.IntRange(1, 3).Draw(t, "deeds") {
			name := rapid.SampledFrom(names).Draw(t, "file")
			path := filepath.Join(p.Dir, name)
			b := bytes.Clone(good[name])
			switch rapid.IntRange(0, 4).Draw(t, "deed") {
			case 0:
				if len(b) == 0 {
					continue
				}
				b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
				put(t, path, string(b))
			case 1:
				if len(b) == 0 {
					continue
				}
				put(t, path, string(b[:rapid.IntRange(0, len(b)-1).Draw(t, "cut")]))
			case 2:
				put(t, path, string(b)+" ")
			case 3:
				if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
					t.Fatal(err)
				}
			case 4:
				name = rapid.SampledFrom([]string{"more", "config/more.yaml", "seals/keys.old", "manifest.json.bak"}).Draw(t, "added")
				put(t, filepath.Join(p.Dir, name), "")
				extra = append(extra, name)
			}
			touched[name] = true
		}
		if len(touched) == 0 {
			return
		}
		tries++
		_, err := Check(context.Background(), p.Dir, nil)
		if err == nil {
			t.Fatalf("found whole after %v", touched)
		}
		if !touched[manifestFile] && !touched[sumFile] {
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("%v is not called damage: %v", touched, err)
			}
			for name := range touched {
				if !strings.Contains(err.Error(), name) {
					t.Fatalf("%v does not name %s", err, name)
				}
			}
		}
		for name, b := range good {
			put(t, filepath.Join(p.Dir, name), string(b))
		}
		for _, name := range extra {
			_ = os.Remove(filepath.Join(p.Dir, name))
		}
	})
	if _, err := Check(t.Context(), p.Dir, nil); err != nil {
		t.Errorf("put right again: %v", err)
	}
	t.Logf("%d damaged backups, all found", tries)
	// Two files exchanged: the same bytes, in other places.
	put(t, filepath.Join(p.Dir, "events.stream"), string(good["photos.stream"]))
	put(t, filepath.Join(p.Dir, "photos.stream"), string(good["events.stream"]))
	if _, err := Check(t.Context(), p.Dir, nil); err == nil {
		t.Error("exchanged files are not noticed")
	}
}

// rewrite writes another manifest with a right sum of its own, as somebody
// would who means harm.
func rewrite(t *testing.T, dir string, m *Manifest) {
	t.Helper()
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(b)
	put(t, filepath.Join(dir, manifestFile), string(b))
	put(t, filepath.Join(dir, sumFile), hex.EncodeToString(sum[:])+"  "+manifestFile+"\n")
}

// A manifest that leads out of the backup, or from one folder of it into
// another, is refused before any file is opened that it names.
func TestNamesThatLeadElsewhere(t *testing.T) {
	root := t.TempDir()
	p := plan(t, root)
	m := made(t, p)
	put(t, filepath.Join(root, "outside"), "outside\n")
	sum := sha256.Sum256([]byte("outside\n"))
	for _, name := range []string{"../outside", "/etc/passwd", "config/../../outside", "config/../access/secrets.json", "seals/../config/shop.yaml", "./outside", "config//x", "config/", "", ".", "..", `..\outside`, `config\..\..\outside`, "a/./b"} {
		bad := *m
		bad.Files = append(append([]File{}, m.Files...), File{Name: name, Size: 8, SHA256: hex.EncodeToString(sum[:])})
		rewrite(t, p.Dir, &bad)
		if _, err := Check(t.Context(), p.Dir, nil); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "outside of it") {
			t.Errorf("%q: %v", name, err)
		}
		data := filepath.Join(root, "new")
		if _, err := Restore(t.Context(), Restoring{Dir: p.Dir, Data: data}); err == nil {
			t.Errorf("%q: restored", name)
		}
		if left, _ := filepath.Glob(data + "*"); len(left) > 0 {
			t.Errorf("%q: left behind %v", name, left)
		}
	}
	for what, change := range map[string]func(*Manifest){
		"a file twice":             func(m *Manifest) { m.Files = append(m.Files, m.Files[0]) },
		"a copy from elsewhere":    func(m *Manifest) { m.Copies = map[string]journal.Copy{"../outside": m.Copies["events.stream"]} },
		"a copy without a sum":     func(m *Manifest) { m.Copies = map[string]journal.Copy{"other.stream": m.Copies["events.stream"]} },
		"a copy that is no copy":   func(m *Manifest) { m.Copies = map[string]journal.Copy{manifestFile: m.Copies["events.stream"]} },
		"secrets without a sum":    func(m *Manifest) { m.Secrets = true },
		"a later form":             func(m *Manifest) { m.Form = 2 },
		"no journal identity file": func(m *Manifest) { m.Files = nil },
	} {
		bad := *m
		bad.Files = append([]File{}, m.Files...)
		change(&bad)
		rewrite(t, p.Dir, &bad)
		if _, err := Check(t.Context(), p.Dir, nil); err == nil {
			t.Errorf("%s: taken", what)
		}
	}
	rewrite(t, p.Dir, m)
	if _, err := Check(t.Context(), p.Dir, nil); err != nil {
		t.Errorf("as it was: %v", err)
	}
}

// Secrets come out as they went in, with the passphrase alone, and nowhere else
// than below the data directory.
func TestSecrets(t *testing.T) {
	root := t.TempDir()
	p := plan(t, root)
	p.Passphrase = pass
	m := made(t, p)
	if !m.Secrets || len(m.LeftOut) > 0 {
		t.Errorf("manifest: %+v", m)
	}
	for _, f := range m.Files {
		b, err := os.ReadFile(filepath.Join(p.Dir, f.Name))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(b, []byte("the signing key")) || bytes.Contains(b, []byte(pass)) {
			t.Errorf("%s holds a secret in the clear", f.Name)
		}
	}
	r := Restoring{Dir: p.Dir, Passphrase: pass}
	stage := t.TempDir()
	if err := r.secrets(stage); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(stage, "seals/key")
	b, err := os.ReadFile(name)
	if err != nil || string(b) != "the signing key\n" {
		t.Errorf("got %q, %v", b, err)
	}
	if info, err := os.Stat(name); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode of a secret: %v, %v", info.Mode(), err)
	}
	r.Passphrase = "another passphrase altogether"
	if err := r.secrets(t.TempDir()); err == nil || !strings.Contains(err.Error(), "passphrase") {
		t.Errorf("another passphrase: %v", err)
	}
	// Whoever has the passphrase still cannot write outside.
	for _, bad := range []string{"../outside", "/tmp/outside", "a/../../outside"} {
		to, err := age.NewScryptRecipient(pass)
		if err != nil {
			t.Fatal(err)
		}
		to.SetWorkFactor(10)
		var packed bytes.Buffer
		enc, err := age.Encrypt(&packed, to)
		if err != nil {
			t.Fatal(err)
		}
		w := tar.NewWriter(enc)
		err = w.WriteHeader(&tar.Header{Name: bad, Mode: 0o600, Size: 1, Typeflag: tar.TypeReg})
		_, err2 := w.Write([]byte("x"))
		if err := errors.Join(err, err2, w.Close(), enc.Close()); err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(p.Dir, secretsFile), packed.String())
		within := filepath.Join(t.TempDir(), "stage")
		r.Passphrase = pass
		if err := r.secrets(within); err == nil || !strings.Contains(err.Error(), "outside") {
			t.Errorf("%q: %v", bad, err)
		}
		if _, err := os.Stat(filepath.Join(filepath.Dir(within), "outside")); err == nil {
			t.Errorf("%q was written outside", bad)
		}
	}
}

// failing breaks off in the middle of a stream.
type failing struct{ streams }

func (f failing) CopyOut(ctx context.Context, what string, begin func(journal.Copy) error, w io.Writer) error {
	if what == journal.CopyPhotos {
		_, _ = io.WriteString(w, "half")
		return errors.New("the cable was pulled")
	}
	return f.streams.CopyOut(ctx, what, begin, w)
}

// A backup that broke off is none: it leaves nothing behind that could be taken
// for one, and nothing of a directory that had something in it is touched.
func TestBrokenOff(t *testing.T) {
	root := t.TempDir()
	p := plan(t, root)
	p.Source = failing{p.Source.(streams)}
	if _, err := Make(t.Context(), p); err == nil || !strings.Contains(err.Error(), "the cable was pulled") {
		t.Errorf("a broken source: %v", err)
	}
	if es, err := os.ReadDir(p.Dir); err != nil || len(es) > 0 {
		t.Errorf("left behind: %v, %v", es, err)
	}
	if _, err := Check(t.Context(), p.Dir, nil); err == nil || !strings.Contains(err.Error(), "no backup") {
		t.Errorf("an empty directory: %v", err)
	}
	put(t, filepath.Join(p.Dir, "mine"), "mine")
	p.Source = streams{journal.CopyEvents: "x"}
	if _, err := Make(t.Context(), p); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("into a directory with files: %v", err)
	}
	if b, err := os.ReadFile(filepath.Join(p.Dir, "mine")); err != nil || string(b) != "mine" {
		t.Errorf("what was there: %q, %v", b, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	whole := plan(t, t.TempDir())
	made(t, whole)
	cancel()
	if _, err := Check(ctx, whole.Dir, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("a check that was called off: %v", err)
	}
}

// A real journal, photos included, comes back byte for byte; without photos
// there is no file for them.
func TestThereAndBack(t *testing.T) {
	root := t.TempDir()
	p := plan(t, root)
	open := func(data string) *journal.Journal {
		t.Helper()
		j, err := journal.Open(t.Context(), journal.Config{Shop: "fenholt", Dir: filepath.Join(data, "journal"), MaxBytes: 64 << 20})
		if err != nil {
			t.Fatal(err)
		}
		return j
	}
	p.Data = filepath.Join(root, "shop")
	j := open(p.Data)
	for i := range 50 {
		if _, err := j.Append(t.Context(), events.Event{Source: "note", Time: events.Instant(i + 1), Data: events.AccessRefused{Why: events.RefusedRole, What: fmt.Sprint("GET /", i), Times: 1}}); err != nil {
			t.Fatal(err)
		}
	}
	photo := []byte("an invented photo")
	hash, err := j.PutPhoto(t.Context(), photo)
	if err != nil {
		t.Fatal(err)
	}
	all := func(j *journal.Journal) (out []events.Written) {
		t.Helper()
		if err := j.ReadWritten(t.Context(), 1, 0, func(ws []events.Written) error { out = append(out, ws...); return nil }); err != nil {
			t.Fatal(err)
		}
		return out
	}
	before := all(j)
	p.Source = j
	m := made(t, p)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if m.Last != 50 || len(m.Copies) != 2 {
		t.Errorf("manifest: %+v", m)
	}
	data := filepath.Join(root, "new")
	r, err := Restore(t.Context(), Restoring{Dir: p.Dir, Data: data, MaxBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if r.Last != 50 || !r.NoKey {
		t.Errorf("restored: %+v", r)
	}
	if b, err := os.ReadFile(filepath.Join(r.Config, "profiles/a/one.yaml")); err != nil || string(b) != "one\n" {
		t.Errorf("set-up: %q, %v", b, err)
	}
	j = open(data)
	defer j.Close()
	if diff := cmp.Diff(before, all(j)); diff != "" || len(before) != 50 {
		t.Errorf("%d entries (-before +after):\n%s", len(before), diff)
	}
	if b, err := j.Photo(t.Context(), hash); err != nil || !bytes.Equal(b, photo) {
		t.Errorf("photo: %q, %v", b, err)
	}
	if _, err := Restore(t.Context(), Restoring{Dir: p.Dir, Data: data}); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("over a shop: %v", err)
	}
}
