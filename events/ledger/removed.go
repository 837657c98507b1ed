package ledger

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"

	"witnessmark/events"
)

// errHalf: of a part of a removal the ledger has seen some captures, and some
// were gone already. It happens to an old copy of a ledger.
var errHalf = errors.New("the ledger has seen a part of the captures that were removed; run 'witnessmark rebuild'")

// ofCaptures are the tables that have a row for each capture of some kind.
var ofCaptures = []string{"readings", "frames_refused", "frames_repeated", "samples", "sample_means"}

// removed takes captures out that were removed from the journal. A ledger that
// has seen them loses their rows; one that is built anew has holes where they
// were, which are none, and has not counted them, so they are added to what was
// counted. Both come out the same: counts go over all that ever was.
func (b *batch) removed(seq uint64, d *events.CapturesRemoved) error {
	runs, err := d.SeqRuns()
	if err != nil {
		return err
	}
	if b.removing == nil {
		return b.putRemoved(seq, d)
	}
	unseen := uint64(0)
	for _, r := range runs {
		n, err := b.removing.fillHoles(r)
		if err != nil {
			return err
		}
		unseen += n
	}
	switch unseen {
	case 0:
		for _, table := range ofCaptures {
			for _, r := range runs {
				if err := b.removing.deleteRun(table, r); err != nil {
					return err
				}
			}
		}
	case d.Count:
		for _, k := range d.Kinds {
			b.totals[total{"event", k.What}] += k.N
		}
		for _, k := range d.Reasons {
			b.totals[total{"refused_frame", k.What}] += k.N
		}
		for _, x := range d.Devices {
			t := b.device(x.Device)
			t.readings, t.refused, t.repeated = t.readings+x.Readings, t.refused+x.Refused, t.repeated+x.Repeated
			t.lastReading, t.lastRefused = max(t.lastReading, x.LastReading), max(t.lastRefused, x.LastRefused)
		}
	default:
		return errHalf
	}
	return b.putRemoved(seq, d)
}

func (b *batch) putRemoved(seq uint64, d *events.CapturesRemoved) error {
	for _, j := range d.Jobs {
		if err := b.put(putRemovedOf, j.What, int64(seq), j.N); err != nil {
			return err
		}
	}
	return b.put(putRemoved, int64(seq), d.Removal, int64(d.Part), int64(d.Parts), d.By, d.Rule, int64(d.Years), us(d.BeforeUs), d.Archive,
		int64(d.Sealed), d.Name, int64(d.First), int64(d.Last), int64(d.Count), int64(d.Bytes), us(d.AtUs))
}

// fillHoles takes a run out of the holes, and returns how much of it was one.
func (w *writer) fillHoles(r events.SeqRun) (n uint64, err error) {
	var found []events.SeqRun
	err = w.each("SELECT first, last FROM holes WHERE first <= ? AND last >= ?", func(row []driver.Value) {
		first, _ := row[0].(int64)
		last, _ := row[1].(int64)
		found = append(found, events.SeqRun{From: uint64(first), To: uint64(last)})
	}, int64(r.To), int64(r.From))
	if err != nil {
		return 0, err
	}
	for _, h := range found {
		if err := w.put(cutHole, int64(h.From)); err != nil {
			return 0, err
		}
		if h.From < r.From {
			if err := w.put(putHole, int64(h.From), int64(r.From-1)); err != nil {
				return 0, err
			}
		}
		if h.To > r.To {
			if err := w.put(putHole, int64(r.To+1), int64(h.To)); err != nil {
				return 0, err
			}
		}
		n += min(h.To, r.To) - max(h.From, r.From) + 1
	}
	return n, nil
}

func (w *writer) deleteRun(table string, r events.SeqRun) error {
	err := w.each("DELETE FROM "+table+" WHERE seq BETWEEN ? AND ?", func([]driver.Value) {}, int64(r.From), int64(r.To))
	if err != nil {
		return fmt.Errorf("take removed captures out: %w", err)
	}
	return nil
}

// Removed is a part of a removal of captures under the shop's rule.
type Removed struct {
	Seq uint64 // of the entry that tells of it
	events.CapturesRemoved
	OfJob int64 // captures of the job that was asked about
}

const removedColumns = `SELECT r.seq, removal, part, parts, by, rule, years, before_us, archive_sha256, sealed_to, archive, first, last, r.count, bytes, at_us`

func scanRemoved(r scanner, x *Removed, more ...any) error {
	return r.Scan(append([]any{&x.Seq, &x.Removal, &x.Part, &x.Parts, &x.By, &x.Rule, &x.Years, &x.BeforeUs, &x.CapturesRemoved.Archive, &x.Sealed, &x.Name,
		&x.First, &x.Last, &x.Count, &x.Bytes, &x.AtUs}, more...)...)
}

// Removals returns all parts of all removals of captures, oldest first.
func (q *Queries) Removals(ctx context.Context) ([]Removed, error) {
	return all(ctx, q, "removals", removedColumns+" FROM captures_removed r ORDER BY r.seq", func(r scanner, x *Removed) error { return scanRemoved(r, x) })
}

// RemovedOf returns the parts of removals that took captures of a job, oldest first.
func (q *Queries) RemovedOf(ctx context.Context, job string) ([]Removed, error) {
	return all(ctx, q, "removed captures of job "+job, removedColumns+`, o.count FROM captures_removed_of o JOIN captures_removed r ON r.seq = o.seq
		WHERE o.job = ? ORDER BY r.seq`, func(r scanner, x *Removed) error { return scanRemoved(r, x, &x.OfJob) }, job)
}
