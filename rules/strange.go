package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/trace"
)

// What a tool tells may be strange without being wrong in any one reading: a
// rotation that was announced and never comes, a trace that runs backwards, pulls
// that are alike to the last digit, far more pulls than there are fasteners. Such
// is told, so that no fastener is called witnessed on it in silence. All limits here
// are our choice; none was reached in a clean job on the invented streams.
const (
	silentPulls   = 3    // pulls without the rotation that was announced
	unmovedPulls  = 4    // pulls that turned nothing at all
	unmovedDeg    = 1.0  // at most
	alikePulls    = 4    // pulls alike to the last digit
	stuckPulls    = 6    // low pulls in a row that peaked alike
	freshTurn     = 0.9  // of the least rotation of as many pulls as there are fasteners: one that turned as a first one does
	freshOfMiddle = 0.5  // and of their middle, should one of them be a repeat after all
	freshLeast    = 12.0 // degrees, of that rotation: else wind-up and noise are too much of it
	freshTooMany  = 2    // more of those than fasteners
	manyPulls     = 3    // pulls, times the fasteners: more than each three times,
	manyPullsMore = 4    // and some
)

// strange raises what is strange about the pulls of a place's pass, the last of
// which has just been weighed.
func (t *tx) strange(w *slot, r *reading) {
	if w.joint == nil || !t.job.Weighed {
		return
	}
	pulls := t.job.Steps[w.step].Weigh[w.pass].pulls()
	t.oddTool(w, r, pulls)
	t.alike(w, r, pulls)
	t.stuck(w, r, pulls)
	t.tooMany(w, pulls)
	t.slippedRow(w, r)
	if r.value.Base() < w.lsl.Base() && t.lowsBefore(w, r) >= stuckPulls {
		t.raise(events.AlertRaised{
			Kind: events.AlertLow, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass,
			Fasteners: []string{w.joint.Fasteners[w.fastener].ID}, Reading: r.seq, Blocks: true,
			Text: fmt.Sprintf("%s, fastener %s: %d pulls in a row ended at about %s, below the limits (wanted %s).",
				t.job.title(w.step), w.joint.Fasteners[w.fastener].ID, stuckPulls, r.said(w.unit), w.wanted()),
			Todo: "Stop. Look at the fastener, the socket and the tool's setting: it takes no more torque, or the tool gives none.",
		})
	}
}

// oddTool raises, once a job, that what a tool tells with its pulls is not to be
// relied on.
func (t *tx) oddTool(w *slot, r *reading, pulls []*Evidence) {
	why, so := "", "Its pulls count by their number alone."
	deg := r.angle.In(quantity.Degree)
	announced := t.s.index.tools[r.tool].Reports.Angle
	switch {
	case !r.angle.IsZero() && deg < leastAngle:
		why, so = fmt.Sprintf("it told a rotation of %s, against the pull", degrees(deg)), "Such a rotation is not used."
	case r.unsound != "":
		why, so = "the trace of a pull "+r.unsound, "Such a trace is not used: the pull is weighed by what else is told of it."
	case announced && len(pulls) >= silentPulls && !slices.ContainsFunc(pulls[len(pulls)-silentPulls:], func(e *Evidence) bool {
		return e.turned() || e.Pull.Tool != r.tool
	}):
		why = fmt.Sprintf("it announces rotation, and its last %d pulls told none", silentPulls)
	case t.s.index.tools[r.tool].Reports.Trace && len(pulls) >= silentPulls && !slices.ContainsFunc(pulls[len(pulls)-silentPulls:], func(e *Evidence) bool {
		return e.Pull.Trace != nil || e.Pull.Tool != r.tool
	}):
		why, so = fmt.Sprintf("it announces traces, and its last %d pulls came without", silentPulls), "They are weighed by what else is told of them."
	case t.job.unmoved(w.step, w.pass):
		why = fmt.Sprintf("none of %d pulls turned anything: it does not measure its rotation, or the fasteners were tight before", len(pulls))
	default:
		return
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertToolStatus, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Tool: r.tool,
		Text: fmt.Sprintf("What %s tells is not to be relied on: %s. %s", t.s.toolName(r.tool), why, so),
		Todo: "Look at the tool's settings and its link, and have it checked if it goes on.",
	})
}

// unmoved reports whether no pull of a pass turned anything, as far as the tool
// tells: then its rotation proves nothing.
func (j *Job) unmoved(step, pass int) bool {
	n := 0
	for _, e := range j.Steps[step].Weigh[pass].pulls() {
		if !e.turned() {
			continue
		}
		if deg, ok := e.turn(); ok && deg > unmovedDeg {
			return false
		}
		n++
	}
	return n >= unmovedPulls
}

// alike raises that pulls with a rotation are alike to the last digit: a tool that
// is stuck, or one cycle sent over and over under new numbers.
func (t *tx) alike(w *slot, r *reading, pulls []*Evidence) {
	if !runAlike(pulls) {
		return
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertSameCycle, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass, Tool: r.tool, Blocks: true,
		Text: fmt.Sprintf("%s: the last %d readings of %s are alike to the last digit (%s, %s). That may be one pull, sent over and over.",
			t.job.title(w.step), alikePulls, t.s.toolName(r.tool), r.said(w.unit), degrees(r.angle.In(quantity.Degree))),
		Todo: "Look at the tool and its link. Pull each fastener once more, or a lead decides.",
	})
}

// runAlike reports whether the last pulls of some are alike to the last digit. A
// tool that tells a coarse torque alone may well repeat itself.
func runAlike(pulls []*Evidence) bool {
	if len(pulls) < alikePulls {
		return false
	}
	last := &pulls[len(pulls)-1].Pull
	if last.Angle.IsZero() || last.Angle.In(quantity.Degree) <= unmovedDeg {
		return false
	}
	return !slices.ContainsFunc(pulls[len(pulls)-alikePulls:], func(e *Evidence) bool {
		return e.Pull.Torque != last.Torque || e.Pull.Angle != last.Angle || e.Pull.DurationUs != last.DurationUs || e.Pull.Tool != last.Tool
	})
}

// anyAlike reports whether there was such a run in a pass.
func (w *PassWeigh) anyAlike() bool {
	pulls := w.pulls()
	for n := alikePulls; n <= len(pulls); n++ {
		if runAlike(pulls[:n]) {
			return true
		}
	}
	return false
}

// tooMany raises that a pass had far more pulls than fasteners, or more that turned
// as first ones do.
func (t *tx) tooMany(w *slot, pulls []*Evidence) {
	p := &w.joint.Passes[w.pass]
	n := len(p.Order)
	whole, fresh, swung := 0, 0, 0.0
	var turns []float64
	all := t.job.tightenings(w.step, w.pass)
	for k, e := range pulls {
		if a := t.job.aside(e.Pull.Reading); a != nil && a.Kind == events.ExplainedSameCycle {
			continue // nobody pulled
		}
		deg, ok := e.turn()
		if e.below(p) || !all[k].last {
			swung += deg // a swing: what ends it turns the rest
			continue
		}
		whole++
		if ok {
			turns = append(turns, swung+deg)
		}
		swung = 0
	}
	if slices.Sort(turns); len(turns) > n {
		least := turns[len(turns)-n]
		if ref := max(least, float64(freshOfMiddle*turns[len(turns)-(n+1)/2])); least >= freshLeast {
			for _, deg := range turns {
				if deg >= float64(freshTurn*ref) {
					fresh++
				}
			}
		}
	}
	why := ""
	redone := slices.ContainsFunc(t.job.Steps[w.step].Weigh[w.pass].Log, func(e *Evidence) bool { return e.Op != "pull" })
	switch {
	case redone || p.Loose:
		return
	case fresh >= n+freshTooMany && !p.Closing:
		why = fmt.Sprintf("%d pulls turned as a first one does, and it has %d fasteners: some gave way, were loose again, or were at another place", fresh, n)
	case whole > manyPulls*n+manyPullsMore:
		why = fmt.Sprintf("it had %d pulls for %d fasteners: which pull was at which of them, nobody can say", whole, n)
	default:
		return
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertExtraPull, Bench: t.job.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass, Blocks: true,
		Text: fmt.Sprintf("%s (%s pass): %s.", t.job.title(w.step), passName(w.joint, w.pass), why),
		Todo: "Stop and look at each fastener. A lead decides.",
	})
}

// below reports whether a pull ended below the limits of its pass.
func (e *Evidence) below(p *procedure.Pass) bool { return e.Pull.Torque.Base() < p.LSL.Base() }

// unsoundTrace says why the course of a trace is not to be relied on, "" if it is.
func unsoundTrace(f *trace.Features) string {
	switch {
	case f.Codes.Has(trace.Empty) || f.Samples < leastSamples:
		return "has no samples that can be used"
	case f.Codes.Has(trace.TimeBackwards):
		return "runs backwards in time"
	case f.Codes.Has(trace.Gap):
		return "has a gap of 50 ms or more"
	}
	return ""
}

// leastSamples of a trace tell anything of its course. Our choice.
const leastSamples = 5
