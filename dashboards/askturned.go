package dashboards

import (
	"net/http"
	"slices"

	"witnessmark/rules"
)

// askTurned is the form with which a technician says that a fastener turned in
// the closing round. The one that was pulled last is chosen.
func askTurned(_ *Pages, _ *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "Which fastener turned?", "It turned"
	a.Lead = "None may turn in the closing round. One that does was left out before: the pull that turned it is taken for its first, and the record says so."
	a.Places = v.closed(job)
	if len(a.Places) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "No fastener has been pulled in a closing round.", Todo: "Report a fastener that turns once it has been pulled there.", Back: a.Back, Name: "Back to the bench"}
	}
	return nil
}

// closed lists the fasteners that a closing round has seen, the latest first
// and chosen.
func (v viewer) closed(job *rules.Job) []choice {
	type seen struct {
		choice
		reading uint64
	}
	var all []seen
	for i := range job.Steps {
		for k := range job.Steps[i].Fasteners {
			f := &job.Steps[i].Fasteners[k]
			if f.Closing == 0 || f.Marks[f.Closing].Reading == 0 || f.Held {
				continue
			}
			for _, c := range v.places(job, i, func(n int) bool { return n == k }) {
				all = append(all, seen{c, f.Marks[f.Closing].Reading})
			}
		}
	}
	slices.SortStableFunc(all, func(x, y seen) int {
		switch {
		case x.reading > y.reading:
			return -1
		case x.reading < y.reading:
			return 1
		}
		return 0
	})
	var out []choice
	for n, s := range all {
		s.Set = n == 0
		out = append(out, s.choice)
	}
	return out
}

// lastClosed reports whether the latest reading that counts is one of a
// closing round.
func (v viewer) lastClosed(job *rules.Job) bool {
	latest, closing := uint64(0), false
	for i := range job.Steps {
		for k := range job.Steps[i].Fasteners {
			f := &job.Steps[i].Fasteners[k]
			for p := range f.Marks {
				if m := f.Marks[p].Reading; m > latest {
					latest, closing = m, f.Closing > 0 && p == f.Closing
				}
			}
		}
	}
	return closing
}
