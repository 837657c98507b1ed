package seal

import (
	"context"
	"fmt"
	"time"

	"witnessmark/events"
)

// Scrubbed is what the last look over the whole journal has found.
type Scrubbed struct {
	At      time.Time // when it ended; zero: there was none yet
	Entries uint64    // looked at
	Gone    uint64    // that the log of seals knows and the journal does not hold
	Altered uint64    // that are not what the log of seals knows
	First   uint64    // the first of either
}

// scrubRun is how many entries are read at once.
const scrubRun = 256

// Scrub reads the whole journal from disk, slowly, and holds each entry against
// the log of seals: damage is found before somebody needs the entry. What it
// finds shows in Trouble and in Scrubbed. perSecond bounds how many entries it
// reads.
func (s *Sealer) Scrub(ctx context.Context, perSecond int) (Scrubbed, error) {
	last := s.cfg.Journal.Last()
	s.mu.Lock()
	err := s.extend(ctx, last)
	last = min(last, s.log.Size())
	s.mu.Unlock()
	if err != nil {
		return Scrubbed{}, err
	}
	var out Scrubbed
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
			err = s.compare(from, to, there, &out)
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
	out.At = s.cfg.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.scrubbed = out
	if out.Gone+out.Altered > 0 {
		s.cfg.Log.Error("the journal is not what was sealed", "gone", out.Gone, "altered", out.Altered, "first_seq", out.First)
	}
	return out, nil
}

// compare holds a run of entries against the log.
func (s *Sealer) compare(from, to uint64, there map[uint64]events.Written, out *Scrubbed) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for seq := from; seq <= to; seq++ {
		kept, err := s.log.Leaf(seq)
		if err != nil {
			return err
		}
		w, ok := there[seq]
		switch {
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

// Scrubbed tells what the last Scrub has found.
func (s *Sealer) Scrubbed() Scrubbed {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.scrubbed
}
