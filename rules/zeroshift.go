package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
)

// A tool whose zero has moved is off by the same in all pulls of a job. A
// trace shows it where the tool rests before or after the pull. Without one it
// only shows where whoever pulls aims by feel or by another tool: then all peaks
// lie to one side of their targets. Both limits are our choice: a trained hand
// aims to within two or three per cent. In a pass that a later one makes good it need
// not, and does not.
const (
	zeroPulls  = 8    // least pulls
	zeroOff    = 0.07 // mean distance from the targets, as a share
	zeroSure   = 8    // standard errors
	zeroTraces = 0.8  // share of traces that rest elsewhere than at zero
)

// zeroShift raises, once a job, that a tool's pulls are all off by the same.
func (t *tx) zeroShift(step int, r *reading) {
	j := t.job
	var off []float64
	traces, nonzero := 0, 0
	for i := range step + 1 {
		for pass := range j.Steps[i].Weigh {
			p := &j.Proc.Steps[i].Joint.Passes[pass]
			partial := j.partials(i, pass)
			for k, e := range j.Steps[i].Weigh[pass].pulls() {
				o := &e.Pull
				if o.Tool != r.tool || p.Loose || len(partial) > 0 && partial[k] {
					continue
				}
				if x := o.Torque.Base()/p.Target.Base() - 1; math.Abs(x) < 0.3 && lastOf(j.Proc.Steps[i].Joint, pass) == pass {
					off = append(off, x)
				}
				if o.Trace != nil {
					traces++
					if slices.Contains(o.Trace.Findings, "no_zero") {
						nonzero++
					}
				}
			}
		}
	}
	why := ""
	mean, se := meanError(off)
	switch {
	case traces >= zeroPulls && float64(nonzero) >= zeroTraces*float64(traces):
		why = fmt.Sprintf("%d of %d traces rest elsewhere than at zero before or after the pull", nonzero, traces)
	case len(off) >= zeroPulls && math.Abs(mean) >= zeroOff && math.Abs(mean) >= zeroSure*se:
		why = fmt.Sprintf("its %d pulls lie %+.1f %% from their targets on average, all to one side", len(off), 100*mean)
	default:
		return
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertZeroShift, Bench: r.bench, Job: j.ID, Tool: r.tool,
		Text: fmt.Sprintf("The zero of %s may have shifted: %s.", t.s.toolName(r.tool), why),
		Todo: "Set the tool's zero and check it on the bench tester before it is used again. A lead decides about the pulls so far.",
	})
}

// meanError returns the mean and its standard error.
func meanError(xs []float64) (mean, se float64) {
	if len(xs) < 2 {
		return 0, math.Inf(1)
	}
	for _, x := range xs {
		mean += x
	}
	mean /= float64(len(xs))
	v := 0.0
	for _, x := range xs {
		v += float64((x - mean) * (x - mean))
	}
	return mean, math.Sqrt(v / float64(len(xs)-1) / float64(len(xs)))
}
