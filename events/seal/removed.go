package seal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// remover is a journal from which captures may have been removed under the
// shop's rule. Their leaves stay, in the log of seals and in what tells of the
// removal, so that every seal holds for ever.
type remover interface {
	Removals(ctx context.Context) (*events.Removals, error)
}

// removalsOf returns what was removed from a journal; nil: nothing ever is.
func removalsOf(ctx context.Context, j any) (*events.Removals, error) {
	r, ok := j.(remover)
	if !ok {
		return nil, nil
	}
	return r.Removals(ctx)
}

var removedType = events.TypeName(events.CapturesRemoved{})

// Removed is an entry that a record lacks because it was removed under the shop's
// rule. Its leaf stands in the entry By, which the record holds; the proof is that
// of the leaf. Whoever has the archive can hold the entry in it against that.
type Removed struct {
	Seq   uint64   `json:"seq"`
	By    uint64   `json:"by"` // journal sequence of the entry that tells of the removal
	Proof []string `json:"proof"`
}

// LeafOf returns the leaf of an entry in the log of seals.
func LeafOf(w *events.Written) [32]byte { return leafHash(w) }

// addRemoved adds what was removed of the entries that a record wants, and what
// tells of it.
func (s *Sealer) addRemoved(ctx context.Context, r *Record, want map[uint64]bool) error {
	missing := map[uint64]bool{}
	for seq := range want {
		missing[seq] = true
	}
	for i := range r.Entries {
		delete(missing, r.Entries[i].Seq)
	}
	if len(missing) == 0 {
		return nil
	}
	gone, err := removalsOf(ctx, s.cfg.Journal)
	if err != nil {
		return err
	}
	tells := map[uint64]bool{}
	for seq := range missing {
		if _, by, ok := gone.Leaf(seq); ok {
			r.Removed = append(r.Removed, Removed{Seq: seq, By: by})
			tells[by] = true
		}
	}
	slices.SortFunc(r.Removed, func(a, b Removed) int { return int(int64(a.Seq) - int64(b.Seq)) })
	for by := range tells {
		err := s.cfg.Journal.ReadWritten(ctx, by, by, func(ws []events.Written) error {
			for i := range ws {
				r.Entries = append(r.Entries, Proven{Written: ws[i]})
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("read journal: %w", err)
		}
	}
	slices.SortFunc(r.Entries, func(a, b Proven) int { return int(int64(a.Seq) - int64(b.Seq)) })
	return nil
}

// gone checks what the record says was removed: a sealed entry of it must tell so,
// and the leaf must be in the sealed tree.
func (v *recordCheck) gone() {
	var told events.Removals
	for i := range v.rec.Entries {
		e := &v.rec.Entries[i]
		if e.Type != removedType {
			continue
		}
		d, err := events.Decode(e.Type, []byte(e.Data))
		if err == nil {
			err = told.Add(events.Entry{Seq: e.Seq, Event: events.Event{Source: e.Source, Data: d}}, true)
		}
		if err != nil {
			v.find(e.Seq, "entry J%d (%s) cannot be read: %v", e.Seq, e.Type, err)
		}
	}
	told.Sort()
	for _, x := range v.rec.Removed {
		leaf, by, ok := told.Leaf(x.Seq)
		p, err := proofOf(x.Proof)
		switch {
		case !ok || by != x.By:
			v.find(x.Seq, "the record says that J%d was removed under the shop's rule, but holds no entry that tells so: it was dropped", x.Seq)
		case err != nil || x.Seq > v.c.Size || tlog.CheckRecord(p, int64(v.c.Size), v.c.Root, int64(x.Seq-1), leaf) != nil:
			v.find(x.Seq, "the leaf of the removed entry J%d is not in the sealed tree", x.Seq)
		default:
			v.removed[x.Seq] = true
			v.Removed++
		}
	}
	for _, e := range told.Parts() {
		d := e.Data.(events.CapturesRemoved)
		v.Notes = append(v.Notes, fmt.Sprintf("Captures were removed on %s by %s (%s), told by J%d; the manifest of their archive has the SHA-256 %s. What was judged of them is in the record.",
			d.AtUs.Time().Format("2006-01-02"), d.By, d.Rule, e.Seq, d.Archive))
	}
}

// encodeProof writes a proof as records have it.
func encodeProof(p tlog.RecordProof) (out []string) {
	for _, h := range p {
		out = append(out, base64.StdEncoding.EncodeToString(h[:]))
	}
	return out
}

// CopyLeaves writes the leaves of the first n entries, 32 bytes each, from the
// log in dir.
func CopyLeaves(dir string, n uint64, w io.Writer) (err error) {
	log, err := OpenLog(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	if log.Size() < n {
		return fmt.Errorf("the log of seals has %d entries, %d are sealed", log.Size(), n)
	}
	for seq := uint64(1); seq <= n; seq++ {
		h, err := log.Leaf(seq)
		if err != nil {
			return err
		}
		if _, err := w.Write(h[:]); err != nil {
			return err
		}
	}
	return nil
}

// RootOfLeaves returns the root over leaves that CopyLeaves wrote.
func RootOfLeaves(leaves []byte) (tlog.Hash, error) {
	if len(leaves)%tlog.HashSize != 0 {
		return tlog.Hash{}, fmt.Errorf("%d bytes are no leaves", len(leaves))
	}
	var r roots
	for ; len(leaves) > 0; leaves = leaves[tlog.HashSize:] {
		r.add(tlog.Hash(leaves[:tlog.HashSize]))
	}
	return r.hash(), nil
}
