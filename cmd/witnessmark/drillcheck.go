package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
	"witnessmark/rules"
)

// check starts the service in order, so that it decides and projects what was
// left, stops it, and looks at everything.
func (d *drill) check(ctx context.Context, counts *drillCounts) error {
	if err := d.inProcess(ctx, d.openJobs); err != nil {
		return fmt.Errorf("start and stop in order: %w", err)
	}
	shop, err := readShop(d.shopFile)
	if err != nil {
		return err
	}
	j, err := openJournal(ctx, d.cfg, shop.ID)
	if err != nil {
		return err
	}
	defer j.Close()
	var entries []events.Entry
	if err := j.Read(ctx, 1, 0, func(es []events.Entry) error { entries = append(entries, es...); return nil }); err != nil {
		return err
	}
	if h := j.Holes(); len(h) > 0 || uint64(len(entries)) != j.Last() {
		return fmt.Errorf("the journal has holes: %d entries, last %d, %v", len(entries), j.Last(), h)
	}
	counts.Entries = j.Last()
	if counts.Readings, counts.Answered, err = d.readingsOnce(entries); err != nil {
		return err
	}
	if counts.Decisions, err = undisturbed(entries); err != nil {
		return err
	}
	diff, err := ledger.Check(ctx, j, d.cfg.ledgerPath(), nil)
	if err != nil {
		return err
	}
	if len(diff) > 0 {
		return fmt.Errorf("the ledger is not what the journal says: %s: ledger %q, journal %q", diff[0].Table, diff[0].Left, diff[0].Right)
	}
	if counts.Seals, err = d.sealed(ctx, j, shop.ID); err != nil {
		return err
	}
	if err := sealsKept(entries, d.cfg.sealsDir()); err != nil {
		return err
	}
	counts.Checks++
	return nil
}

func (d *drill) sealed(ctx context.Context, j *journal.Journal, shop string) (int, error) {
	if _, err := os.Stat(d.cfg.sealsDir()); err != nil {
		return 0, err
	}
	r, err := seal.VerifyJournal(ctx, j, d.cfg.sealsDir(), shop, nil, nil)
	if err != nil {
		return 0, err
	}
	if !r.OK() {
		return 0, fmt.Errorf("the journal is not as sealed:\n%s", r.Text())
	}
	return r.Seals, nil
}

// sealsKept checks that every seal that the journal tells of is in the list of
// seals.
func sealsKept(entries []events.Entry, dir string) error {
	kept, err := seal.Checkpoints(dir)
	if err != nil {
		return err
	}
	have := map[string]bool{}
	for _, m := range kept {
		have[m.Note] = true
	}
	for _, e := range entries {
		if m, ok := e.Data.(events.SealMade); ok && !have[m.Note] {
			return fmt.Errorf("the seal that J%d tells of is lost", e.Seq)
		}
	}
	return nil
}

// readingsOnce compares the journal with the drill's own lists: what was
// answered is there once, as it was sent; what is there was sent.
func (d *drill) readingsOnce(entries []events.Entry) (there, answered int, err error) {
	hands := map[string]*hand{}
	for _, h := range d.hands {
		h.mu.Lock()
		defer h.mu.Unlock()
		hands[h.tool] = h
	}
	seen := map[string]map[uint64]uint64{} // tool, counter, sequence
	for _, e := range entries {
		r, ok := e.Data.(events.ReadingTaken)
		if !ok {
			continue
		}
		h := hands[r.Tool]
		if h == nil || r.ToolCounter == nil {
			return there, answered, fmt.Errorf("entry J%d is a reading of %q, which nobody pulled", e.Seq, r.Tool)
		}
		s, ok := h.sent[*r.ToolCounter]
		if !ok || s.Text != r.Text {
			return there, answered, fmt.Errorf("entry J%d is reading %d of %s with %s; sent was %q", e.Seq, *r.ToolCounter, r.Tool, r.Text, s.Text)
		}
		if seen[r.Tool] == nil {
			seen[r.Tool] = map[uint64]uint64{}
		}
		if at := seen[r.Tool][*r.ToolCounter]; at != 0 {
			return there, answered, fmt.Errorf("reading %d of %s is there twice, as J%d and J%d", *r.ToolCounter, r.Tool, at, e.Seq)
		}
		seen[r.Tool][*r.ToolCounter] = e.Seq
		there++
	}
	for _, h := range d.hands {
		for c := range h.heard {
			if seen[h.tool][c] == 0 {
				return there, answered, fmt.Errorf("reading %d of %s was answered and is not in the journal", c, h.tool)
			}
			answered++
		}
	}
	return there, answered, nil
}

// undisturbed runs the rules over the facts, as if nothing had happened, and
// compares each decision with the one in the journal.
func undisturbed(entries []events.Entry) (n int, err error) {
	type stored struct {
		seq uint64
		d   events.Decided
	}
	decided := map[uint64]stored{}
	for _, e := range entries {
		d, ok := e.Data.(events.Decided)
		if !ok {
			continue
		}
		if was, ok := decided[d.Cause]; ok {
			return 0, fmt.Errorf("entry J%d was decided twice, by J%d and J%d", d.Cause, was.seq, e.Seq)
		}
		decided[d.Cause] = stored{e.Seq, d}
	}
	st := rules.New()
	for _, e := range entries {
		if _, ok := e.Data.(events.Decided); ok {
			continue
		}
		was, have := decided[e.Seq]
		outcomes := rules.Decide(st, e)
		if len(outcomes) == 0 && !have {
			if _, reading := e.Data.(events.ReadingTaken); reading {
				return n, fmt.Errorf("the reading J%d has no decision", e.Seq)
			}
			continue
		}
		want := events.Decided{Cause: e.Seq, CauseUs: e.Time, Rules: rules.Version, Outcomes: outcomes}
		a, err := json.Marshal(want)
		if err != nil {
			return n, err
		}
		b, err := json.Marshal(was.d)
		if err != nil {
			return n, err
		}
		if string(a) != string(b) {
			return n, fmt.Errorf("the decision on J%d (J%d) is\n%s\nan undisturbed run gives\n%s", e.Seq, was.seq, b, a)
		}
		rules.Evolve(st, want)
		delete(decided, e.Seq)
		n++
	}
	for cause, d := range decided {
		return n, fmt.Errorf("entry J%d decides on J%d, which is not there", d.seq, cause)
	}
	return n, nil
}
