package main

import (
	"context"
	"fmt"
	"os/user"
	"time"

	"witnessmark/events"
	"witnessmark/events/backup"
	"witnessmark/events/journal"
)

// noteRestore writes into the journal that it goes on from a backup: once, as
// the first thing that is written there.
func noteRestore(ctx context.Context, j *journal.Journal, data string, now events.Instant) error {
	e, ok, err := backup.Marked(data)
	if err != nil || !ok {
		return err
	}
	was, ok, err := j.LastOf(ctx, events.SourceRestore)
	if err != nil {
		return fmt.Errorf("note the restore: %w", err)
	}
	// A start that broke off between writing and taking the mark away.
	if x, is := was.Data.(events.ShopRestored); !ok || !is || x.Backup != e.Backup || x.RestoredUs != e.RestoredUs {
		e.AtUs = now
		if _, err := j.Append(ctx, events.Event{Source: events.SourceRestore, Time: now, Data: e}); err != nil {
			return fmt.Errorf("note the restore: %w", err)
		}
	}
	return backup.Unmark(data)
}

// restoredWords says of a journal where it comes from, "" if from nowhere else.
func restoredWords(ctx context.Context, j *journal.Journal) (string, error) {
	e, ok, err := j.LastOf(ctx, events.SourceRestore)
	if err != nil || !ok {
		return "", err
	}
	x, ok := e.Data.(events.ShopRestored)
	if !ok {
		return "", nil
	}
	by := ""
	if x.By != "" {
		by = fmt.Sprintf(" by user %q of the machine", x.By)
	}
	const form = "2006-01-02 15:04:05 UTC"
	text := fmt.Sprintf("From J%d on this journal goes on from backup %s, made %s, entries 1 to %d, sealed to J%d, manifest SHA-256 %s; restored %s%s.",
		e.Seq, x.Backup, x.MadeUs.Time().UTC().Format(form), x.Last, x.Sealed, x.Manifest, x.RestoredUs.Time().UTC().Format(form), by)
	if x.Moved {
		text += " The machine before was shut first: nothing is missing."
	} else {
		text += " What was recorded elsewhere between those two times is not in it; cycles that tools counted meanwhile show as lost cycles with their next reading."
	}
	if e.Number > 1 {
		text += fmt.Sprintf(" It is the newest of %d restores.", e.Number)
	}
	return text, nil
}

// machineUser is who runs this command, as the operating system says.
func machineUser() string {
	u, err := user.Current()
	if err != nil {
		return ""
	}
	return u.Username
}

// instant is the time now, as this service tells it.
func (s *stack) instant() events.Instant {
	if s.cfg.now != nil {
		return events.InstantOf(s.cfg.now())
	}
	return events.InstantOf(time.Now())
}
