package ledger

import (
	"context"
	"errors"
	"fmt"

	sqlite3 "github.com/mattn/go-sqlite3"

	"witnessmark/events"
)

// Apply puts entries, which are in journal order, into the ledger in one
// transaction with the new position. Entries at or before the position are
// passed over. A sequence that is missing is recorded (see Holes), and does
// not hold up what follows. On an error nothing of the batch is in the ledger.
func (l *Ledger) Apply(ctx context.Context, entries []events.Entry) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	if l.write == nil {
		return explain("write ledger", l.path, ErrReadOnly)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	at := l.mark()
	for len(entries) > 0 && entries[0].Seq <= at.seq {
		entries = entries[1:]
	}
	if len(entries) == 0 {
		return nil
	}
	to, err := l.write.apply(at, entries)
	if err != nil {
		return explain(fmt.Sprintf("put events %d to %d into ledger", entries[0].Seq, entries[len(entries)-1].Seq), l.path, err)
	}
	l.moveTo(to)
	return nil
}

func (l *Ledger) mark() mark {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at
}

// apply writes one batch as one transaction and returns the new position.
func (w *writer) apply(from mark, entries []events.Entry) (mark, error) {
	if err := w.exec("BEGIN IMMEDIATE"); err != nil {
		return from, err
	}
	to, err := w.rows(from, entries)
	if err == nil {
		err = w.exec("COMMIT")
	}
	if err != nil {
		return from, errors.Join(err, w.undo())
	}
	return to, nil
}

// undo ends a transaction that failed, if SQLite has not done so by itself, as
// it does when the disk is full.
func (w *writer) undo() error {
	if w.conn.(*sqlite3.SQLiteConn).AutoCommit() {
		return nil
	}
	return w.exec("ROLLBACK")
}

// rows writes the rows of a batch and moves the position. It is an error if
// that is not where this process left it.
func (w *writer) rows(from mark, entries []events.Entry) (mark, error) {
	if seq, err := w.number("SELECT seq FROM position"); err != nil || uint64(seq) != from.seq {
		return from, errors.Join(err, errMoved)
	}
	b, err := newBatch(w)
	if err != nil {
		return from, err
	}
	to := from
	for i := range entries {
		e := &entries[i]
		if e.Seq <= to.seq {
			continue
		}
		if e.Seq > to.seq+1 {
			if err := w.put(putHole, int64(to.seq+1), int64(e.Seq-1)); err != nil {
				return from, err
			}
		}
		if err := b.entry(e); err != nil {
			return from, fmt.Errorf("event %d: %w", e.Seq, err)
		}
		to = markOf(e)
	}
	if err := b.putTallies(); err != nil {
		return from, err
	}
	if err := w.packTools(b.tools); err != nil {
		return from, err
	}
	return to, w.put(movePosition, int64(to.seq), to.source, int64(to.number), int64(to.time))
}

var errMoved = fmt.Errorf("%w: another process has written to it", ErrInUse)

func markOf(e *events.Entry) mark { return mark{e.Seq, e.Source, e.Number, e.Time} }
