package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
)

// A zero that moves in the middle of a pass shows as a step in the peaks: from
// some pull on all lie lower, or higher, by the same. The odds of a step are the
// ratio of two marginal likelihoods (normal, conjugate: Gelman et al., Bayesian
// Data Analysis, 3rd ed., chapter 14, from memory). The one against it is half a
// steady aim and half one that drifts along a line, as somebody's who gets tired.
// Where peaks are as that one says, such odds ever reach k in at most one in k
// passes (Ville 1939, from memory). The spreads are shares of the target, and
// assumed; how often a step comes is our choice, and bounds nothing. All but
// stepSure and stepLeast lie in the odds themselves, so the bound holds.
const (
	stepSure    = 100.0 // odds from which it is said; our choice
	stepLeast   = 0.025 // a step that is told, as a share of the target; our choice
	stepBefore  = 4     // pulls before it, at least
	stepAfter   = 4     // pulls since, at least
	stepOften   = 0.02  // chance of a step at each pull
	stepSD      = 0.05  // of a step
	stepDrift   = 0.01  // sd of a drift from the first pull to the last
	stepScatter = 0.012 // of peaks from pull to pull
	stepWorth   = 6.0   // values that this is worth
	stepAim     = 0.01  // how far above the target one aims
	stepAimSD   = 0.03
	stepAimOwn  = 0.015 // the same, once the job's passes before show it
	stepOwn     = 4     // pulls of them, at least
	stepMost    = 64    // pulls that are looked at: the newest
)

// zeroStep raises that from some pull of a pass on all peaks of a tool lie off by
// the same.
func (t *tx) zeroStep(w *slot, r *reading) {
	p := &w.joint.Passes[w.pass]
	if p.Loose || p.Closing || !(p.Target.Base() > 0) {
		return
	}
	x, names, by := t.peaks(w.step, w.pass, r.tool)
	if len(x) < stepBefore+stepAfter {
		return
	}
	if n := len(x) - stepMost; n > 0 {
		x, names = x[n:], names[n:]
	}
	// A coarse tool's peaks lie on few steps of it: half of one is no scatter.
	res := t.s.index.tools[r.tool].Resolution.Base() / p.Target.Base()
	aim, aimSD := t.aimBefore(w.step, w.pass, r.tool, by)
	s := stepIn(x, aim, aimSD, math.Hypot(stepScatter, res/2))
	if s.odds < stepSure || math.Abs(s.by) < max(stepLeast, 1.5*res) || s.at < stepBefore || len(x)-s.at < stepAfter {
		return
	}
	off := p.Target.WithBase(math.Abs(s.by) * p.Target.Base())
	side := "less"
	if s.by > 0 {
		side = "more"
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertZeroShift, Bench: r.bench, Job: t.job.ID, Tool: r.tool,
		Text: fmt.Sprintf("The zero of %s may have shifted: %s, from the pull of fastener %s on its %d pulls read about %s (%.1f %%) %s than the %d before.",
			t.s.toolName(r.tool), t.job.title(w.step), names[s.at], len(x)-s.at, show(off, w.unit), 100*math.Abs(s.by), side, s.at),
		Todo: "Set the tool's zero and check it on the bench tester before it is used again. A lead decides about the pulls since.",
	})
}

// peaks returns the peaks of a pass's pulls that count, as shares off their
// target, and their fasteners: those of one tool, in the hands of who pulled last.
func (t *tx) peaks(step, pass int, tool string) (x []float64, names []string, by string) {
	target := t.job.Proc.Steps[step].Joint.Passes[pass].Target.Base()
	marked := t.job.marked(step, pass)
	pulls := t.job.Steps[step].Weigh[pass].pulls()
	for k := len(pulls) - 1; k >= 0; k-- {
		m := marked.of(pulls[k].Pull.Reading)
		if m == nil || m.Judged.Tool != tool {
			continue
		}
		if by == "" {
			by = m.Judged.By
		}
		if m.Judged.By != by {
			break
		}
		x, names = append(x, m.Judged.Value.Base()/target-1), append(names, m.Judged.Fastener)
	}
	slices.Reverse(x)
	slices.Reverse(names)
	return x, names, by
}

// aimBefore returns where somebody aims with a tool, as a share off the target, by
// the passes of the job before one, and how much that may differ in it.
func (t *tx) aimBefore(step, pass int, tool, by string) (aim, sd float64) {
	sum, n := 0.0, 0
	for i := range step + 1 {
		for p := range t.job.Steps[i].Weigh {
			if i == step && p >= pass || t.job.Proc.Steps[i].Joint.Passes[p].Loose || !(t.job.Proc.Steps[i].Joint.Passes[p].Target.Base() > 0) {
				continue
			}
			x, _, who := t.peaks(i, p, tool)
			if who != by {
				continue
			}
			for _, v := range x {
				sum += v
			}
			n += len(x)
		}
	}
	if n < stepOwn {
		return stepAim, stepAimSD
	}
	return sum / float64(n), stepAimOwn
}

// foundStep is the step that a series shows, if any.
type foundStep struct {
	odds float64 // of a step somewhere against none
	at   int     // first value after the likeliest one
	by   float64 // its size
}

// stepIn weighs whether a series around mean, which may itself be off by meanSD,
// has a step, against none. scatter is the spread that its values are expected to
// have before any was seen.
func stepIn(x []float64, mean, meanSD, scatter float64) foundStep {
	n := len(x)
	s2 := scatter * scatter
	rel := func(sd float64) float64 { return sd * sd / s2 }
	y := make([]float64, n)
	var sum, squares, along float64
	for i, v := range x {
		y[i] = v - mean
		sum += y[i]
		squares += float64(y[i] * y[i])
	}
	// evidence is the logarithm of the marginal likelihood with one more column,
	// of which the sum, the sum of squares and the product with y are given.
	evidence := func(c, cc, cy, v float64) (log, slope float64) {
		a00, a11 := float64(n)+1/rel(meanSD), cc+1/v
		det := float64(a00*a11) - float64(c*c)
		b0, b1 := (float64(a11*sum)-float64(c*cy))/det, (float64(a00*cy)-float64(c*sum))/det
		left := squares - float64(b0*sum) - float64(b1*cy)
		return -0.5*math.Log(rel(meanSD)*v*det) - 0.5*(stepWorth+float64(n))*math.Log(float64(stepWorth*s2)+left), b1
	}
	steady, _ := evidence(0, 0, 0, 1)
	spread := 0.0
	for i := range y {
		c := (float64(i) - float64(n-1)/2) / float64(max(n-1, 1))
		spread += float64(c * c)
		along += float64(c * y[i])
	}
	drift, _ := evidence(0, spread, along, rel(stepDrift))
	none := math.Max(steady, drift) + math.Log((1+math.Exp(-math.Abs(steady-drift)))/2)

	var s foundStep
	best, after := 0.0, sum
	still := 1.0 // chance that no step has come yet
	for at := 1; at < n; at++ {
		after -= y[at-1]
		m := float64(n - at)
		log, by := evidence(m, m, after, rel(stepSD))
		odds := stepOften * still * math.Exp(min(log-none, 600))
		still *= 1 - stepOften
		if s.odds += odds; odds > best {
			best, s.at, s.by = odds, at, by
		}
	}
	return s
}
