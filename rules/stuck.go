package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// A tool that is stuck sends one torque again and again, whatever is pulled. By a
// coarse tool pulls are alike now and then, so it is counted how likely so many in a
// row are: by the step in which the tool tells its values, and by the scatter that
// pulls have at the least.

// leastScatter is the least standard deviation of the peaks of one hand, as a share of
// the torque. Common practice, no source: who pulls a wrench with care keeps within one
// or two per cent. shownScatter is the share of the scatter which the tool's other
// passes of the job showed that is believed; scatterPulls how many show it, and shownFrom
// the least share of the torque that such a pass wants.
//
// stuckPeaks in a row are needed at the least, and their probability must be below
// stuckOdds, or stuckSince where a tool has told nothing else since the job began: that
// can come by chance but once a job. Our choice.
const (
	leastScatter = 0.005
	shownScatter = 0.5
	shownFrom    = 0.5
	scatterPulls = 8
	stuckPeaks   = 5
	stuckOdds    = 1e-4
	stuckSince   = 2e-3
	alikeBefore  = 3 // pulls of an earlier joint put it in doubt, too
)

// toolPull is a pull of a tool in a pass.
type toolPull struct {
	stretch
	e *Evidence
}

// stuckRun returns the last pulls of a tool that peaked alike, as far as they are more
// than chance: newest first, nil if they are not. Where the torque that is aimed at
// changes, a run goes on: a value that follows it is of no more worth for that.
func (t *tx) stuckRun(w *slot, r *reading, pulls []*Evidence) []toolPull {
	if n := len(pulls); n < 2 || pulls[n-1].Pull.Torque != pulls[n-2].Pull.Torque {
		return nil
	}
	all := t.job.pullsOf(r.tool)
	if n := len(all); n < stuckPeaks || all[n-1].e.Pull.Reading != r.seq {
		return nil
	}
	step := t.stepOf(r)
	var run []toolPull
	lp, alike := 0.0, 1
	scatter := t.job.scatterOf(r.tool, r.value.Base())
	for k := len(all) - 1; k >= 0; k-- {
		if len(run) > 0 && all[k].stretch == run[len(run)-1].stretch {
			if all[k].e.Pull.Torque != run[len(run)-1].e.Pull.Torque {
				break
			}
			alike++
			lp += math.Log(alikeChance(all[k].e.Pull.Torque.Base(), step, scatter))
		}
		run = append(run, all[k])
	}
	odds := stuckOdds
	if len(run) == len(all) {
		odds = stuckSince
	}
	if alike < stuckPeaks || lp > math.Log(odds) {
		return nil
	}
	return run
}

// alikeChance is how likely a pull is told as the one before it was, at the most: the
// step of the tool around the middle of a normal distribution.
func alikeChance(torque, step, scatter float64) float64 {
	return math.Erf(step / (2 * math.Sqrt2 * scatter * torque))
}

// stepOf is the step in which a tool tells its values: as it is known of it, else the
// greatest usual one that its value shows, so that a tool which rounds to a half or a
// whole is not taken for one that measures tenths.
func (t *tx) stepOf(r *reading) float64 {
	last := r.resolution.Base()
	if known := t.s.index.tools[r.tool].Resolution; !known.IsZero() {
		return max(known.Base(), last)
	}
	switch r.text[max(len(r.text)-1, 0):] {
	case "0":
		return 10 * last
	case "5":
		return 5 * last
	case "2", "4", "6", "8":
		return 2 * last
	}
	return last
}

// pullsOf returns the pulls of a tool, in the order of their readings, without cycles
// that came twice.
func (j *Job) pullsOf(tool string) (out []toolPull) {
	for i := range j.Steps {
		for pass := range j.Steps[i].Weigh {
			for _, e := range j.Steps[i].Weigh[pass].pulls() {
				if e.Pull.Tool != tool {
					continue
				}
				if a := j.aside(e.Pull.Reading); a != nil && a.Kind == events.ExplainedSameCycle {
					continue // nobody pulled
				}
				out = append(out, toolPull{stretch{i, pass}, e})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b toolPull) int { return cmp.Compare(a.e.Pull.Reading, b.e.Pull.Reading) })
	return out
}

// scatterOf is how much the peaks of a tool scatter at the least at a torque, as a share:
// passes in which not all are alike show it. At far less torque the same hand, and the
// step of the tool, make more of it.
func (j *Job) scatterOf(tool string, torque float64) float64 {
	n, ss := 0, 0.0
	for i := range j.Steps {
		for pass := range j.Steps[i].Weigh {
			p := &j.Proc.Steps[i].Joint.Passes[pass]
			if p.Target.Base() < float64(shownFrom*torque) {
				continue
			}
			var xs []float64
			for _, e := range j.Steps[i].Weigh[pass].pulls() {
				if e.Pull.Tool == tool && !e.below(p) && !(p.USL.Base() > 0 && e.Pull.Torque.Base() > p.USL.Base()) {
					xs = append(xs, math.Log(e.Pull.Torque.Base()))
				}
			}
			if len(xs) < 2 || slices.Min(xs) == slices.Max(xs) {
				continue
			}
			_, se := meanError(xs)
			free := len(xs) - 1
			ss += float64(se * se * float64(len(xs)*free))
			n += free
		}
	}
	if n < scatterPulls {
		return leastScatter
	}
	return max(leastScatter, float64(shownScatter*math.Sqrt(ss/float64(n))))
}

// stuck raises, for each joint that it concerns, that a tool sends one torque again
// and again.
func (t *tx) stuck(w *slot, r *reading, pulls []*Evidence) {
	run := t.stuckRun(w, r, pulls)
	most := map[int]int{} // by step
	var steps []stretch   // the last pass of each
	for _, x := range run {
		if most[x.step] == 0 {
			steps = append(steps, x.stretch)
		}
		most[x.step]++
	}
	for _, s := range steps {
		if s.step != w.step && most[s.step] < alikeBefore {
			continue
		}
		jt := t.job.Proc.Steps[s.step].Joint
		at := slices.IndexFunc(run, func(x toolPull) bool { return x.stretch == s })
		t.raise(events.AlertRaised{
			Kind: events.AlertSameCycle, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[s.step].ID, Pass: s.pass, Tool: r.tool, Blocks: true,
			Text: fmt.Sprintf("%s: %d pulls in a row with %s peaked exactly alike, pass by pass (the last at %s). Pulls scatter more than that: the tool is stuck, or sends one pull over and over.",
				t.job.title(s.step), most[s.step], t.s.toolName(r.tool), show(run[at].e.Pull.Torque, jt.Passes[s.pass].Unit)),
			Todo: "Take the tool out of use and have it checked. A lead sends the fasteners back, to be done again with another tool, or decides.",
		})
	}
}

// pulledAnew reports whether each fastener that an alert of readings alike is about has
// been done again since, with another tool or one that tells different values again.
func (t *tx) pulledAnew(a *events.AlertRaised) bool {
	p, i := t.job.Proc.Step(a.Step)
	if !a.Blocks || p == nil || p.Joint == nil {
		return false
	}
	var values []float64 // of the same tool
	for _, k := range lastOrder(p.Joint) {
		f := &t.job.Steps[i].Fasteners[k]
		m := f.last()
		switch {
		case f.Accepted:
			continue
		case m == nil || !m.counts() || m.Judged.AtUs <= a.AtUs:
			return false
		}
		if m.Judged.Tool == a.Tool {
			values = append(values, m.Judged.Value.Base())
		}
	}
	return len(values) == 0 || slices.Min(values) != slices.Max(values)
}

// lastOrder is the order of a joint's last pass.
func lastOrder(jt *procedure.Joint) []int { return jt.Passes[finalPass(jt)].Order }
