package seal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// Scrubbed is what the last look over the whole journal has found.
type Scrubbed struct {
	At      time.Time // when it ended; zero: there was none yet
	Entries uint64    // looked at
	Removed uint64    // of these, under the shop's rule; their leaves were looked at
	Gone    uint64    // that the log of seals knows and the journal does not hold
	Altered uint64    // that are not what the log of seals knows
	First   uint64    // the first of either
	Seals   string    // what is wrong with the seals or their log; "" if nothing is
}

// scrubRun is how many entries are read at once.
const scrubRun = 256

// Scrub reads the whole journal from disk, slowly, and holds each entry against
// the log of seals: damage is found before somebody needs the entry. What it
// finds shows in Trouble and in Scrubbed. perSecond bounds how many entries it
// reads.
func (s *Sealer) Scrub(ctx context.Context, perSecond int) (Scrubbed, error) {
	if err := s.Hold(ctx); err != nil { // nobody else may use the log before
		return Scrubbed{}, err
	}
	last := s.cfg.Journal.Last()
	s.mu.Lock()
	err := s.extend(ctx, last)
	last = min(last, s.log.Size())
	s.mu.Unlock()
	if err != nil {
		return Scrubbed{}, err
	}
	gone, err := removalsOf(ctx, s.cfg.Journal)
	if err != nil {
		return Scrubbed{}, err
	}
	var out Scrubbed
	told := map[uint64]events.SealMade{} // seals that the journal tells of, by size
	for from := uint64(1); from <= last; from += scrubRun {
		began, to := time.Now(), min(from+scrubRun-1, last)
		there := map[uint64]events.Written{}
		err := s.cfg.Journal.ReadWritten(ctx, from, to, func(ws []events.Written) error {
			for _, w := range ws {
				there[w.Seq] = w
			}
			return nil
		})
		if err == nil {
			err = s.compare(from, to, there, &out, told, gone)
		}
		if err != nil {
			return out, fmt.Errorf("scrub journal: %w", err)
		}
		rest := time.Duration(float64(to-from+1)/float64(max(perSecond, 1))*float64(time.Second)) - time.Since(began)
		select {
		case <-time.After(rest):
		case <-ctx.Done():
			return out, context.Cause(ctx)
		}
	}
	err = s.logGood(ctx)
	if ctx.Err() != nil {
		return out, context.Cause(ctx)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		err = s.sealsGood(told)
	}
	if err != nil {
		out.Seals = err.Error()
		s.cfg.Log.Error("the seals are damaged", "err", err)
	}
	out.At = s.cfg.Now()
	s.scrubbed = out
	if out.Gone+out.Altered > 0 {
		s.cfg.Log.Error("the journal is not what was sealed", "gone", out.Gone, "altered", out.Altered, "first_seq", out.First)
	}
	return out, nil
}

// compare holds a run of entries against the log.
func (s *Sealer) compare(from, to uint64, there map[uint64]events.Written, out *Scrubbed, told map[uint64]events.SealMade, gone *events.Removals) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for seq := from; seq <= to; seq++ {
		kept, err := s.log.Leaf(seq)
		if err != nil {
			return err
		}
		w, ok := there[seq]
		if w.Type == sealType {
			if e, err := events.Decode(w.Type, []byte(w.Data)); err == nil {
				if m, is := e.(events.SealMade); is {
					told[m.Size] = m
				}
			}
		}
		leaf, _, removed := gone.Leaf(seq)
		switch {
		case !ok && removed && kept == leaf:
			out.Removed++
			out.Entries++
			continue
		case !ok && removed:
			out.Altered++
		case !ok && kept != holeHash(seq):
			out.Gone++
		case ok && kept != leafHash(&w):
			out.Altered++
		default:
			out.Entries++
			continue
		}
		if out.Entries++; out.First == 0 {
			out.First = seq
		}
	}
	return nil
}

var sealType = events.TypeName(events.SealMade{})

// logGood checks the log against itself, without keeping anybody from sealing
// for long.
func (s *Sealer) logGood(ctx context.Context) error {
	const run = 2048
	for from := uint64(0); ; from += run {
		s.mu.Lock()
		n := s.log.Size()
		err := s.log.good(from, min(from+run, n))
		s.mu.Unlock()
		if err != nil || from+run >= n || ctx.Err() != nil {
			return err
		}
	}
}

// sealsGood checks each seal against key and log, and the list of seals against
// those that the journal tells of.
func (s *Sealer) sealsGood(told map[uint64]events.SealMade) error {
	keys, err := Publics(s.cfg.Dir)
	if err != nil {
		return err
	}
	vs, err := Verifiers(keys)
	if err != nil {
		return err
	}
	seals, err := Checkpoints(s.cfg.Dir)
	if err != nil {
		return err
	}
	kept := map[uint64]bool{}
	for _, m := range seals {
		kept[m.Size] = true
		c, _, err := OpenNote(m.Note, vs...)
		if err != nil {
			return fmt.Errorf("seal over J1 to J%d: %w", m.Size, err)
		}
		if t, ok := told[m.Size]; ok && t != m {
			return fmt.Errorf("the seal over J1 to J%d is not the one that the journal tells of; put the file %s back from your copy", m.Size, checkpointsFile)
		}
		root, err := s.log.RootAt(m.Size)
		if err == nil && (c.Size != m.Size || c.Root != root || base64.StdEncoding.EncodeToString(c.Root[:]) != m.Root) {
			err = errors.New("journal and log do not give the root that it signs")
		}
		if err != nil {
			return fmt.Errorf("seal over J1 to J%d: %w", m.Size, err)
		}
	}
	for size := range told {
		if !kept[size] {
			return fmt.Errorf("the seal over J1 to J%d, of which the journal tells, is gone; put the file %s back from your copy", size, checkpointsFile)
		}
	}
	return nil
}

// good checks that each hash above leaves from to to follows from those below.
func (l *Log) good(from, to uint64) error {
	for n := int64(from); n < int64(to); n++ {
		leaf, err := l.Leaf(uint64(n) + 1)
		if err != nil {
			return err
		}
		hs, err := tlog.StoredHashesForRecordHash(n, leaf, l)
		if err != nil {
			return err
		}
		at := tlog.StoredHashIndex(0, n)
		for i := range hs {
			kept, err := l.ReadHashes([]int64{at + int64(i)})
			if err != nil {
				return err
			}
			if kept[0] != hs[i] {
				return fmt.Errorf("the log of seals is damaged near J%d; stop the service and delete the file %q beside the seals, it is made again", n+1, hashesFile)
			}
		}
	}
	return nil
}

// Scrubbed tells what the last Scrub has found.
func (s *Sealer) Scrubbed() Scrubbed {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.scrubbed
}
