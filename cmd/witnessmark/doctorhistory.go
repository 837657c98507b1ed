package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"witnessmark/events/ledger"
)

// stepsShown is how many steps of the clock the doctor names.
const stepsShown = 3

// examineHistory tells from the ledger how the clocks of bench boxes stood when
// they were last compared, when this machine's clock was set, and whether the
// shop comes from a backup. It works whether the service runs or not. The clocks
// of browsers are not known: no page sends one, and none is used.
func examineHistory(ctx context.Context, cfg config) (found []finding) {
	if _, err := os.Stat(cfg.ledgerPath()); err != nil {
		return nil // said by examineLedger
	}
	l, err := ledger.Open(ctx, ledger.Config{Path: cfg.ledgerPath(), ReadOnly: true})
	if err != nil {
		return nil
	}
	defer l.Close()
	err = l.AtOnce(ctx, func(q *ledger.Queries) error {
		boxes, err := q.BoxClocks(ctx)
		if err != nil {
			return err
		}
		for _, b := range boxes {
			ahead := time.Duration(b.AheadUs) * time.Microsecond
			f := finding{What: "clock", State: "good", Text: fmt.Sprintf("bench box %q: %+.3f s against this machine's, give or take %.3f s, at %s UTC",
				b.Box, ahead.Seconds(), float64(b.RoundTripUs)/2e6, b.AtUs.Time().UTC().Format("2006-01-02 15:04:05"))}
			if ahead.Abs() > time.Duration(b.LimitUs)*time.Microsecond {
				f.State, f.Todo = "note", "set the box's clock, best by time synchronisation: times of its readings are told by this machine's meanwhile"
			}
			found = append(found, f)
		}
		steps, err := q.ClockSteps(ctx, 0)
		if err != nil {
			return err
		}
		for i, s := range steps {
			if i == stepsShown {
				break
			}
			f := finding{What: "clock", State: "note", Text: fmt.Sprintf("it was set by %+.3f s, from %s to %s UTC (step %d of %d)",
				float64(s.ByUs)/1e6, s.FromUs.Time().UTC().Format("2006-01-02 15:04:05"), s.ToUs.Time().UTC().Format("2006-01-02 15:04:05"), len(steps)-i, len(steps))}
			if i == 0 {
				f.Todo = "let time synchronisation keep it; order is safe, times before and after do not fit together"
			}
			found = append(found, f)
		}
		restores, err := q.Restores(ctx)
		if err != nil {
			return err
		}
		for _, r := range restores {
			f := finding{What: "restore", State: "good", Text: fmt.Sprintf("from J%d on the journal goes on from backup %s of %s UTC, entries 1 to %d; the shop was moved", r.Seq, r.Backup, r.MadeUs.Time().UTC().Format("2006-01-02 15:04"), r.Last)}
			if !r.Moved {
				f.State, f.Text, f.Todo = "note", f.Text[:len(f.Text)-len("the shop was moved")]+"what was recorded after it is not here", "look at the last readings of each tool; one that counts its cycles tells with its next reading what is missing"
			}
			found = append(found, f)
		}
		return nil
	})
	if err != nil {
		found = append(found, finding{"ledger", "note", err.Error(), "run 'witnessmark rebuild' with the service stopped"})
	}
	return found
}
