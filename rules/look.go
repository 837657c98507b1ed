package rules

import (
	"slices"

	"witnessmark/events"
)

// Look returns how a fastener is to be drawn. What is wrong comes before what
// is next: ask NextFastener where the collar goes.
func (s *State) Look(job *Job, step, fastener int) Look {
	p := &job.Proc.Steps[step]
	if p.Joint == nil || fastener < 0 || fastener >= len(job.Steps[step].Fasteners) {
		return LookWaiting
	}
	st := &job.Steps[step]
	f := &st.Fasteners[fastener]
	last := f.last()
	switch {
	case f.Accepted:
		return LookWitnessed
	case f.Held && last != nil && last.Verdict == events.Low:
		return LookLow // rotation below its window
	case f.Held:
		return LookHigh
	case st.complete(p.Joint, fastener):
		if last != nil && last.Verdict == events.Doubtful {
			return LookDoubtful
		}
		return LookWitnessed
	}
	if pass := f.openPass(p.Joint, fastener); f.Marks[pass].Verdict == events.Low && f.Marks[pass].Reading != 0 {
		return LookLow
	}
	if s.named(job, events.AlertMissed, p.ID, p.Joint.Fasteners[fastener].ID) {
		return LookMissed
	}
	if f.Redo {
		return LookDisturbed
	}
	if n, _, i, ok := job.next(); ok && n == step && i == fastener {
		return LookNext
	}
	if last != nil {
		return LookPart
	}
	return LookWaiting
}

// named reports whether an open alert of a kind names a fastener of the job.
func (s *State) named(job *Job, kind events.AlertKind, step, fastener string) bool {
	for _, id := range job.Alerts {
		a := s.Alerts[id]
		if a != nil && a.Kind == kind && a.Step == step && slices.Contains(a.Fasteners, fastener) {
			return true
		}
	}
	return false
}
