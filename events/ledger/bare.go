package ledger

import (
	"context"
	"database/sql/driver"
	"errors"

	"witnessmark/events"
)

// Bare writes rows into a file of the ledger's form and does nothing else: no
// projecting, no counting, no position. It is the floor that the ledger's
// speed is measured against, and of no other use.
type Bare struct{ w *writer }

// BareRows are the inserts that the ledger makes for a run of events, made
// beforehand so that only writing them is measured.
type BareRows []bareRow

type bareRow struct {
	s    statement
	args []driver.Value
}

// RowsOf projects entries into rows. Updates and counts are left out.
func RowsOf(entries []events.Entry) (BareRows, error) {
	var rows BareRows
	b := &batch{totals: map[total]int64{}, devices: map[string]*tally{}, tools: map[string]int64{}}
	b.put = func(s statement, args ...driver.Value) error {
		if s <= putAlert {
			rows = append(rows, bareRow{s, append([]driver.Value(nil), args...)})
		}
		return nil
	}
	for i := range entries {
		if err := b.entry(&entries[i]); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

// OpenBare makes a new file at path. durable uses the settings of a ledger at
// work, otherwise those of one being rebuilt.
func OpenBare(path string, durable bool) (*Bare, error) {
	m := fresh
	if durable {
		m = live
	}
	w, err := openWriter(path, m)
	if err != nil {
		return nil, explain("open", path, err)
	}
	return &Bare{w}, nil
}

// Insert writes rows, perTx of them in a transaction, with prepared
// statements, in the plainest way that is fast.
func (b *Bare) Insert(rows BareRows, perTx int) error {
	args := make([]driver.NamedValue, 0, 32)
	for len(rows) > 0 {
		part := rows[:min(perTx, len(rows))]
		rows = rows[len(part):]
		if err := b.w.exec("BEGIN IMMEDIATE"); err != nil {
			return err
		}
		for _, r := range part {
			args = args[:0]
			for i, a := range r.args {
				args = append(args, driver.NamedValue{Ordinal: i + 1, Value: a})
			}
			done, err := b.w.stmts[r.s].QueryContext(context.Background(), args)
			if err == nil {
				err = done.Close()
			}
			if err != nil {
				return errors.Join(err, b.w.undo())
			}
		}
		if err := b.w.exec("COMMIT"); err != nil {
			return err
		}
	}
	return nil
}

// Close closes the file.
func (b *Bare) Close() error { return b.w.close() }
