package rules

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"witnessmark/events"
)

// noteJobs writes a note into the record of each job that is open.
func (t *tx) noteJobs(kind, text string) {
	for _, id := range slices.Sorted(maps.Keys(t.s.Jobs)) {
		if j := t.s.Jobs[id]; j.Status == JobActive || j.Status == JobPaused {
			t.add(events.JobNoted{Job: id, Kind: kind, Text: text, AtUs: t.at})
		}
	}
}

// clockStepped notes that times before and after it do not fit together.
func (t *tx) clockStepped(e events.ClockStepped) {
	way := "forward"
	if e.ByUs < 0 {
		way = "back"
	}
	by := time.Duration(max(e.ByUs, -e.ByUs)) * time.Microsecond
	t.noteJobs(events.NotedClock, fmt.Sprintf("The clock was set %s by %s, from %s to %s: times before and after do not fit together, the order of readings does.",
		way, by.Round(time.Millisecond), date(e.FromUs), date(e.ToUs)))
}

// shopRestored notes that a job goes on from a backup, and what may be missing.
func (t *tx) shopRestored(e events.ShopRestored) {
	text := fmt.Sprintf("From here it goes on from backup %s of %s, entries 1 to %d.", e.Backup, date(e.MadeUs), e.Last)
	if e.Moved {
		text += " The shop was moved: the machine before was shut first, so nothing is missing."
	} else {
		text += fmt.Sprintf(" What was recorded elsewhere from then to %s is not here: readings may be missing. The next reading of a tool that counts its cycles shows whether.", date(e.RestoredUs))
	}
	t.noteJobs(events.NotedRestore, text)
}

func date(at events.Instant) string { return at.Time().Format("2006-01-02 15:04:05") + " UTC" }
