package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"witnessmark/events"
	"witnessmark/events/journal"
)

// mendRig is a shop of a chain, its store, and the hub that has a copy, all
// stopped but for the hub.
type mendRig struct {
	*remoteStack
	shopFile, store, hubDir, hubAt, takes string
	photo, paper                          string // hashes of a photo and of a certificate's file
	backup                                string
	stopHub                               func()
}

// mendable makes one that has worked for a while, was sealed and backed up, and its hub has all.
func mendable(t *testing.T) *mendRig {
	t.Helper()
	r := &mendRig{store: t.TempDir(), hubDir: t.TempDir(), backup: filepath.Join(t.TempDir(), "backup"), shopFile: filepath.Join(t.TempDir(), "shop.yaml")}
	var err error
	if r.takes, err = freePort(); err != nil {
		t.Fatal(err)
	}
	if r.hubAt, err = freePort(); err != nil {
		t.Fatal(err)
	}
	example, err := said(t, "shop", "example")
	if err == nil {
		err = os.WriteFile(r.shopFile, []byte(example), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	r.startHub(t)
	store := openStore(t, storeOptions{name: "store", data: r.store, hub: r.takes, of: "fenholt"})
	var stop func()
	r.remoteStack, stop = openShop(t, "fenholt", store.ClientURL())
	ask := func(a events.Asker) {
		t.Helper()
		if err := (desk{r.service}).ask(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	ask(offer(events.Ask{By: "lead"}, []byte(benchProcedure())))
	ask(events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: "j-1", UnitSerial: "U-invented", Procedure: "BENCH"})
	picture := bytes.Repeat([]byte("an invented photo "), 30_000)
	if r.photo, err = r.journal.PutPhoto(t.Context(), picture); err != nil {
		t.Fatal(err)
	}
	if _, err := r.journal.Append(t.Context(), events.Event{Source: events.SourceDesk, Data: events.PhotoTaken{Ask: events.Ask{By: "tech", Bench: "b00"},
		Job: "j-1", Hash: r.photo, Size: int64(len(picture)), Type: "image/jpeg", Width: 10, Height: 10}}); err != nil {
		t.Fatal(err)
	}
	paper := bytes.Repeat([]byte("an invented certificate "), 9_000)
	if r.paper, err = r.journal.PutPhoto(t.Context(), paper); err != nil {
		t.Fatal(err)
	}
	ask(events.CertificateAsked{Ask: events.Ask{By: "lead"}, Tool: "kb00", Certificate: "L-1", Laboratory: "an invented laboratory", Phase: events.PhaseFound, Standing: events.StandingGood,
		Date: time.Now().UTC().Format(time.DateOnly), File: "L-1.pdf", FileHash: r.paper, FileSize: int64(len(paper))})
	for i := range 20 {
		r.send(t, i+1)
	}
	r.counted(t, "reading.taken", 20)
	if _, err := r.sealer.Seal(t.Context(), "asked", ""); err != nil {
		t.Fatal(err)
	}
	if out, err := said(t, "backup", r.backup, "--data", r.cfg.Data, "--shop", r.shopFile, "--nats-url", store.ClientURL()); err != nil {
		t.Fatal(out, err)
	}
	waitUntil(t, func() bool {
		_, err := said(t, "chain", "add", "fenholt", "--nats-url", r.hub(), "--data", t.TempDir(), "--journal-max", "1 GiB")
		return err == nil
	}, func() string { return "the store does not dial in" })
	stop()
	nc, err := nats.Connect(r.hub())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	waitLong(t, func() bool {
		copies, err := journal.Copies(t.Context(), nc)
		return err == nil && len(copies) == 1 && copies[0].Entries >= r.journal.Last() && copies[0].Lag == 0
	}, "the copy does not come to the shop's end")
	end(store)
	return r
}

func (r *mendRig) hub() string { return "nats://" + r.hubAt }

func (r *mendRig) startHub(t *testing.T) {
	t.Helper()
	srv := openStore(t, storeOptions{name: "hub", data: r.hubDir, takes: r.takes, listen: r.hubAt})
	r.stopHub = func() { end(srv) }
}

// mend runs the command.
func (r *mendRig) mend(t *testing.T, args ...string) (string, error) {
	t.Helper()
	return said(t, append([]string{"mend", "--data", r.cfg.Data, "--shop", r.shopFile, "--store", r.store}, args...)...)
}

// damage changes the first block file of a stream of a store.
func damage(t *testing.T, store, stream string, change func([]byte) []byte) {
	t.Helper()
	path := filepath.Join(store, "jetstream", storeAccount, "streams", stream, "msgs", "1.blk")
	b, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(path, change(b), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// flipAt flips a bit of the first place where text stands.
func flipAt(t *testing.T, text string) func([]byte) []byte {
	return func(b []byte) []byte {
		at := bytes.Index(b, []byte(text))
		if at < 0 {
			t.Fatalf("%q does not stand in the file", text)
		}
		b[at] ^= 1
		return b
	}
}

func (r *mendRig) whole(t *testing.T, what string) {
	t.Helper()
	store := openStore(t, storeOptions{name: "store", data: r.store, hub: r.takes, of: "fenholt"})
	defer end(store)
	cfg := r.cfg
	cfg.NATSURL = store.ClientURL()
	j, err := openJournal(t.Context(), cfg, "fenholt")
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	defer j.Close()
	sameEntries(t, j, r.hub(), "fenholt")
	for kind, hash := range map[string]string{"photo": r.photo, "certificate's file": r.paper} {
		data, err := j.Photo(t.Context(), hash)
		if sum := sha256.Sum256(data); err != nil || hex.EncodeToString(sum[:]) != hash {
			t.Errorf("%s: the %s: %v", what, kind, err)
		}
	}
}

// filesInBackup: a backup holds photos and certificates' files, restore gives them
// back, and verify names those that are altered or gone.
func (r *mendRig) filesInBackup(t *testing.T) {
	t.Helper()
	restored := filepath.Join(t.TempDir(), "restored")
	if out, err := said(t, "restore", r.backup, "--data", restored, "--journal-max", "1 GiB"); err != nil {
		t.Fatal(out, err)
	}
	verify := func(fails bool, want ...string) {
		t.Helper()
		out, err := said(t, "verify", "--data", restored, "--shop", r.shopFile)
		if (err != nil) != fails {
			t.Errorf("verify: %v\n%s", err, out)
		}
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("verify does not say %q:\n%s", w, out)
			}
		}
	}
	verify(false, "2 photos and certificate files are what the journal says", "seals hold")
	found, err := filepath.Glob(filepath.Join(restored, "journal", "jetstream", "jetstream", "*", "streams", "OBJ_wm-photos-fenholt"))
	if err != nil || len(found) != 1 || os.RemoveAll(found[0]) != nil {
		t.Fatal(found, err)
	}
	verify(true, "NOT AS SEALED: the photo "+r.photo[:12]+" of job j-1", "NOT THERE: the file of certificate L-1", "it was never sent, or is lost")
	if out, err := said(t, "mend", "--data", restored, "--shop", r.shopFile, "--from", r.backup); err != nil || !strings.Contains(out, "certificate files brought back from a copy: 1") {
		t.Errorf("mend what was restored: %v\n%s", err, out)
	}
	verify(false, "2 photos and certificate files are what the journal says")
}

// TestMendFromAHub: bits flipped in the files of a shop's store, and its end cut
// off, are mended from the hub's copy and hold against the seals; a photo comes
// from a backup, which has the journal too; what no copy has is named, and
// makes the command fail.
func TestMendFromAHub(t *testing.T) {
	if testing.Short() {
		t.Skip("takes long")
	}
	t.Parallel() // it waits for the most part
	r := mendable(t)
	const stream = "wm-fenholt"
	says := func(what string, fails bool, args []string, want ...string) {
		t.Helper()
		out, err := r.mend(t, args...)
		var code exitCode
		if fails != errors.As(err, &code) || err != nil && !fails {
			t.Fatalf("%s: %v\n%s", what, err, out)
		}
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("%s: it does not say %q:\n%s", what, w, out)
			}
		}
	}
	spoil := func() {
		damage(t, r.store, stream, func(b []byte) []byte {
			for i := range 8 {
				b[len(b)*(2*i+1)/20] ^= 1 << i
			}
			return b[:len(b)-200]
		})
	}
	spoil()
	says("a dry run", false, []string{"--dry-run", "--from", r.hub()}, "filled in from a copy", "nothing was changed")
	says("without a copy", true, []string{"--dry-run"}, "MISSING: name a copy with --from")
	says("from the hub", false, []string{"--from", r.hub()}, "filled in from a copy", "seals hold", "photos: 1 of 1 were whole", "certificate files: 1 of 1 were whole")
	r.whole(t, "mended from the hub")

	good := filepath.Join(t.TempDir(), "good")
	if err := os.CopyFS(good, os.DirFS(r.store)); err != nil {
		t.Fatal(err)
	}
	spoilFiles := func() { // what was kept before and since
		damage(t, r.store, "OBJ_wm-photos-fenholt", func(b []byte) []byte {
			b = bytes.ReplaceAll(b, []byte("an invented photo an"), []byte("an invented Photo an"))
			return bytes.ReplaceAll(b, []byte("an invented certificate an"), []byte("an invented Certificate an"))
		})
	}
	spoil()
	spoilFiles()
	says("files, from the hub", true, []string{"--from", r.hub()}, "PHOTOS MISSING", r.photo[:12], "keeps none", "CERTIFICATE FILES MISSING", r.paper[:12], "tool paper FILE",
		"NOT AS SEALED: the photo "+r.photo[:12], "the file of certificate L-1 (L-1.pdf, 216000 bytes")
	says("files, from a backup", false, []string{"--from", r.backup}, "photos brought back from a copy: 1", "certificate files brought back from a copy: 1", "seals hold")
	r.whole(t, "mended from a backup")
	if err := os.RemoveAll(filepath.Join(r.store, "mending", "damaged")); err != nil {
		t.Fatal(err)
	}
	spoilFiles()
	another := openStore(t, storeOptions{name: "another", data: good})
	says("files, from another store", false, []string{"--from", another.ClientURL()}, "photos brought back from a copy: 1", "certificate files brought back from a copy: 1", "seals hold")
	end(another)
	r.whole(t, "mended from another store")
	r.filesInBackup(t)

	// Both lack the same entry, and so does all that was put aside.
	r.stopHub()
	if err := os.RemoveAll(filepath.Join(r.store, "mending", "damaged")); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{r.store, r.hubDir} {
		damage(t, dir, stream, flipAt(t, "U-invented"))
	}
	r.startHub(t)
	says("a copy that lacks it too", true, []string{"--from", r.hub()}, "MISSING: no copy that was named has them whole either: 1")
	says("and from a backup that has it", false, []string{"--from", r.hub(), "--from", r.backup}, "filled in from a copy: 1", "seals hold")

	for what, from := range map[string]string{"no server": "nats://127.0.0.1:1", "an empty directory": t.TempDir()} {
		if out, err := r.mend(t, "--from", from); err == nil {
			t.Errorf("%s: mended all the same: %s", what, out)
		}
	}
	other := openStore(t, storeOptions{name: "other", data: t.TempDir()})
	if _, err := r.mend(t, "--from", other.ClientURL()); err == nil || !strings.Contains(err.Error(), "keeps no journal of shop") {
		t.Errorf("a server without the journal: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(r.cfg.Data, "mend-from-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := r.mend(t, "--store", fmt.Sprint(r.store, "-not")); err == nil {
		t.Error("a store that is not there was mended")
	}
}
