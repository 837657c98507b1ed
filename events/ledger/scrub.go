package ledger

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"witnessmark/events"
)

// paced reads a journal slowly, up to a sequence.
type paced struct {
	Reader
	last      uint64
	perSecond int
}

func (p paced) Last() uint64 { return p.last }

func (p paced) Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error {
	return p.Reader.Read(ctx, from, to, func(es []events.Entry) error {
		began := time.Now()
		if err := fn(es); err != nil {
			return err
		}
		rest := time.Duration(float64(len(es))/float64(max(p.perSecond, 1))*float64(time.Second)) - time.Since(began)
		select {
		case <-time.After(rest):
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	})
}

// Scrub looks for damage that SQLite itself does not notice: it checks the
// file's structure, takes a copy of it, builds a fresh ledger up to the same
// event from the journal, at most perSecond events a second, and compares the
// two row for row. What it finds is an ErrBroken, and shows in Trouble until
// the ledger is opened anew. It needs free room for twice the ledger.
func (l *Ledger) Scrub(ctx context.Context, src Reader, perSecond int) error {
	l.scrubs.Lock()
	defer l.scrubs.Unlock()
	err := l.Healthy(ctx)
	if err == nil {
		err = l.sameAsJournal(ctx, src, perSecond)
	}
	if errors.Is(err, ErrBroken) || errors.Is(err, ErrNotLedger) {
		l.mu.Lock()
		l.damage = err
		l.mu.Unlock()
	}
	return err
}

func (l *Ledger) sameAsJournal(ctx context.Context, src Reader, perSecond int) error {
	image, fresh := l.path+".scrub", l.path+".check"
	removeFiles(image)
	defer removeFiles(image)
	defer removeFiles(fresh)
	if err := copyLedger(l.path, image); err != nil {
		return explain("copy ledger", l.path, err)
	}
	old, err := Open(ctx, Config{Path: image, ReadOnly: true})
	if err != nil {
		return err
	}
	at := old.Position()
	if err := old.Close(); err != nil {
		return err
	}
	if err := buildAt(ctx, paced{src, at, perSecond}, fresh, nil); err != nil {
		return explain("check ledger", l.path, err)
	}
	diff, err := Compare(ctx, image, fresh, 1)
	if err != nil || len(diff) == 0 {
		return err
	}
	return explain("check ledger", l.path, fmt.Errorf("%w: in table %s it has %q, the journal says %q", ErrBroken, diff[0].Table, diff[0].Left, diff[0].Right))
}

// copyLedger copies a ledger as it is at one moment, whoever works with it.
func copyLedger(path, to string) error {
	conn, err := openRaw(path, "_busy_timeout=5000")
	if err != nil {
		return err
	}
	w := &writer{conn: conn}
	_, err = w.one("VACUUM INTO '" + strings.ReplaceAll(to, "'", "''") + "'")
	return errors.Join(err, w.close())
}
