package rules

import "witnessmark/events"

// Glance returns what can be said at once of a pull at the place where one is
// due: its figure against the limits there, before the evidence is weighed for
// which fastener it was. Decide may still set the pull aside, hold the
// fastener or name another one, so the result is for showing the figure and
// for nothing that must last; it names no evidence grade. ok is false for all
// that is not so plain: then only Decide can tell.
//
// Like Decide it looks at s and does not touch it.
func Glance(s *State, e events.Entry) (judged events.ReadingJudged, ok bool) {
	d, is := e.Data.(events.ReadingTaken)
	if !is || d.Mode != events.ModePeak || d.Stale || !d.Value.Finite() || !(d.Value.Base() > 0) || conditionOf(d.ToolStatus) == fault {
		return judged, false
	}
	j := s.Jobs[s.BenchJob[d.Bench]]
	tool, known := s.registered(d.Tool)
	if j == nil || !known || j.Audit != nil || s.careFor(d.Bench, d.Tool) != nil {
		return judged, false
	}
	tool.allowed = j.overridden(d.Tool)
	w, grade, open := j.expected()
	if _, late := s.lateRun(e.Source, e.Number); late {
		return judged, false
	}
	r := readingOf(&e, &d)
	if s.boxed(d.Device) {
		r.at = e.Time
	}
	if !open || w.joint == nil || grade == events.Placed || w.joint.Passes[w.pass].Closing || !j.Steps[w.step].begun() || !w.takes(r) || !w.holds(r.value) {
		return judged, false
	}
	if why, _ := tool.misfit(&w, r.at); why != "" {
		return judged, false
	}
	t := &tx{s: s, seq: e.Seq, at: e.Time, job: j, by: j.Technician}
	u := uncertainty(tool.Tool, r.value)
	f := t.find(&w, r, u.Base())
	return t.judgement(&w, r, &f, &tool), true
}
