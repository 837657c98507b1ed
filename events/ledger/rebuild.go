package ledger

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
)

// Reader gives a range of the journal, both ends included, in batches and in
// order. Last is the last sequence on disk.
type Reader interface {
	Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error
	Last() uint64
}

// Rebuild builds a fresh ledger from the whole journal in path+".new" and,
// once it is whole and on disk, swaps it in for path. Until then an old ledger
// stays as it is; if it is damaged, it is kept as path+".broken". No other
// process may have path open (ErrInUse). progress, which may be nil, is called
// now and then with the sequence reached and the last one, and at the end.
func Rebuild(ctx context.Context, src Reader, path string, progress func(done, total uint64)) error {
	tmp := path + ".new"
	if err := buildAt(ctx, src, tmp, progress); err != nil {
		removeFiles(tmp)
		return explain("rebuild ledger", path, err)
	}
	if err := swapIn(tmp, path); err != nil {
		removeFiles(tmp)
		return explain("swap in rebuilt ledger", path, err)
	}
	return nil
}

// buildAt makes a whole and synced ledger at path.
func buildAt(ctx context.Context, src Reader, path string, progress func(done, total uint64)) error {
	removeFiles(path)
	w, err := openWriter(path, fresh)
	if err != nil {
		return err
	}
	if err := w.fill(ctx, src, progress); err != nil {
		_ = w.close() // the file is thrown away
		return err
	}
	if err := w.finish(); err != nil {
		_ = w.close()
		return err
	}
	if err := w.close(); err != nil {
		return err
	}
	return syncFile(path)
}

// fill reads the journal and writes the rows, each on a goroutine of its own.
func (w *writer) fill(ctx context.Context, src Reader, progress func(done, total uint64)) error {
	last := src.Last()
	if progress == nil {
		progress = func(_, _ uint64) {}
	}
	progress(0, last)
	batches := make(chan []events.Entry, 16)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(batches)
		if last == 0 {
			return nil
		}
		return src.Read(ctx, 1, last, func(es []events.Entry) error {
			select {
			case batches <- append([]events.Entry(nil), es...):
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	})
	g.Go(func() error {
		var at mark
		for es := range batches {
			es = gather(es, batches)
			var err error
			if at, err = w.apply(at, es); err != nil {
				return err
			}
			progress(at.seq, last)
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		return err
	}
	progress(last, last)
	return nil
}

// gather adds what is waiting in batches to es, up to a good size for a
// transaction, so that what is written once a batch is written less often.
func gather(es []events.Entry, batches <-chan []events.Entry) []events.Entry {
	for len(es) < maxBatch {
		select {
		case more, ok := <-batches:
			if !ok {
				return es
			}
			es = append(es, more...)
		default:
			return es
		}
	}
	return es
}

// finish leaves the file in the form that Open wants.
func (w *writer) finish() error {
	for _, p := range []string{"locking_mode=NORMAL", "journal_mode=WAL"} {
		if _, err := w.one("PRAGMA " + p); err != nil {
			return err
		}
	}
	return nil
}

// swapIn puts the ledger at tmp in the place of path. The old one must have no
// write-ahead log left beside it, or SQLite would take it for the new one's.
func swapIn(tmp, path string) error {
	if err := retire(path); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return syncFile(filepath.Dir(path))
}

// retire makes an old ledger stand alone in its file, and moves it out of the
// way if it is damaged.
func retire(path string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		removeFiles(path)
		return nil
	}
	err := checkHead(path)
	if err == nil {
		err = standAlone(path)
	}
	if err == nil {
		return nil
	}
	err = explain("close old ledger", path, err)
	if errors.Is(err, ErrInUse) || errors.Is(err, errDenied) || errors.Is(err, errFull) {
		return err
	}
	if err := os.Rename(path, path+".broken"); err != nil {
		return err
	}
	removeFiles(path)
	return nil
}

// standAlone moves what is in the write-ahead log into the file and gives the
// log up. It fails if anybody else has the file open.
func standAlone(path string) error {
	conn, err := openRaw(path, "_busy_timeout=2000")
	if err != nil {
		return err
	}
	w := &writer{conn: conn}
	got, err := w.one("PRAGMA journal_mode=DELETE")
	if err == nil && !isText(got, "delete") {
		err = fmt.Errorf("%w: journal mode stays %v", ErrInUse, got)
	}
	return errors.Join(err, w.close())
}

func isText(v driver.Value, want string) bool {
	switch v := v.(type) {
	case string:
		return v == want
	case []byte:
		return string(v) == want
	}
	return false
}

// removeFiles removes a ledger file and what SQLite keeps beside it.
func removeFiles(path string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		_ = os.Remove(path + end) // most are not there
	}
}

// syncFile waits until a file, or the names in a directory, are on disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
