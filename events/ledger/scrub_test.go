package ledger

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// A value altered in the file, which SQLite takes for a value like any other,
// is found by comparing with the journal.
func TestScrub(t *testing.T) {
	j := &memory{entries: everything().stored(t)}
	path := filepath.Join(t.TempDir(), "ledger.db")
	if err := Rebuild(t.Context(), j, path, nil); err != nil {
		t.Fatal(err)
	}
	scrub := func() (error, error) {
		l, err := Open(t.Context(), Config{Path: path})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		err = l.Scrub(t.Context(), j, 1<<30)
		return err, l.Trouble()
	}
	if err, trouble := scrub(); err != nil || trouble != nil {
		t.Fatalf("a good ledger: %v, %v", err, trouble)
	}
	w, err := openWriter(path, live)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.exec("UPDATE readings SET text = text || '0'"); err != nil {
		t.Fatal(err)
	}
	if err := w.close(); err != nil {
		t.Fatal(err)
	}
	if err, trouble := scrub(); !errors.Is(err, ErrBroken) || !errors.Is(trouble, ErrBroken) {
		t.Errorf("an altered ledger: %v, %v; want ErrBroken", err, trouble)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range left {
		if f.Name() != "ledger.db" {
			t.Errorf("%s is left behind", f.Name())
		}
	}
}
