package trace_test

import (
	"slices"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

// triggered is the record that a tool makes which begins it when its threshold
// is reached, and ends it when the torque has come down to it again.
func triggered(tr *events.Trace, threshold float64) *events.Trace {
	from := max(0, slices.IndexFunc(tr.Torque, func(x float64) bool { return x >= threshold }))
	to := len(tr.Torque)
	for to > from+1 && tr.Torque[to-1] < threshold {
		to--
	}
	out := &events.Trace{PeriodUs: tr.PeriodUs, Torque: tr.Torque[from:to]}
	if tr.Angle != nil {
		out.Angle = tr.Angle[from:to]
	}
	if tr.TimesUs != nil {
		out.TimesUs = tr.TimesUs[from:to]
	}
	return out
}

// shifted is a trace of a tool whose zero is off.
func shifted(tr *events.Trace, by float64) *events.Trace {
	out := *tr
	out.Torque = slices.Clone(tr.Torque)
	for i := range out.Torque {
		out.Torque[i] += by
	}
	return &out
}

// every keeps one sample in so many, as a slower tool does.
func every(tr *events.Trace, n int) *events.Trace {
	out := &events.Trace{PeriodUs: tr.PeriodUs * int64(n)}
	for i := 0; i < len(tr.Torque); i += n {
		out.Torque = append(out.Torque, tr.Torque[i])
		if tr.Angle != nil {
			out.Angle = append(out.Angle, tr.Angle[i])
		}
	}
	return out
}

// TestZero: only a trace that shows the tool at rest tells its zero. That a
// tool's record begins at its threshold is common practice, no source.
func TestZero(t *testing.T) {
	spec := trace.Spec{Target: quantity.NewtonMetres(100), Threshold: quantity.NewtonMetres(4)}
	slow := func(tr *events.Trace) *events.Trace { return every(tr, 8) } // 104 Hz
	binding := pull{start: 14, snug: 22, top: 101, run: 120, turn: 50}   // run in at more than a tenth of the target
	blind := fresh().make()
	blind.Angle = nil
	for name, c := range map[string]struct {
		tr   *events.Trace
		want bool
	}{
		"sound":                             {fresh().make(), false},
		"begins at a threshold of 4":        {triggered(fresh().make(), 4), false},
		"slow, stiff, first sample at 12":   {triggered(slow(repeat().make()), 12), false},
		"ends on the way down at 12":        {triggered(fresh().make(), 12), false},
		"begins while it is run in at 14":   {triggered(binding.make(), 13.5), false},
		"no angle, begins at 12":            {triggered(blind, 12), false},
		"zero off by 15":                    {shifted(fresh().make(), 15), true},
		"zero off by 15, slow":              {shifted(slow(fresh().make()), 15), true},
		"zero off by 15, a repeat":          {shifted(repeat().make(), 15), true},
		"zero off by -15":                   {shifted(fresh().make(), -15), true},
		"zero off by 15, no angle":          {shifted(blind, 15), true},
		"zero off by 15, rest only after":   {restOnly(shifted(fresh().make(), 15), false), true},
		"zero off by 15, rest only before":  {restOnly(shifted(fresh().make(), 15), true), true},
		"zero off by -15, rest only before": {restOnly(shifted(fresh().make(), -15), true), true},
	} {
		f := trace.Measure(c.tr, spec)
		if got := f.Codes.Has(trace.NoZero); got != c.want {
			t.Errorf("%s: zero told as off: %v, want %v (begins at %.1f, ends at %.1f N·m, %v)", name, got, c.want, f.ZeroStart, f.ZeroEnd, f.Codes.Strings())
		}
	}
}

// restOnly cuts off the rest before the pull, or the one after it with most of
// the way down.
func restOnly(tr *events.Trace, before bool) *events.Trace {
	top := slices.Max(tr.Torque)
	from, to := 0, len(tr.Torque)
	if before {
		to = slices.Index(tr.Torque, top) + 1
		for tr.Torque[to] > 0.3*top {
			to++
		}
	} else {
		from = slices.IndexFunc(tr.Torque, func(x float64) bool { return x > 0.3*top })
	}
	return &events.Trace{PeriodUs: tr.PeriodUs, Torque: tr.Torque[from:to], Angle: cut(tr.Angle, from, to)}
}

func cut(xs []float64, from, to int) []float64 {
	if xs == nil {
		return nil
	}
	return xs[from:to]
}

// TestStationZero: real traces of a station (screw-tightening-wear), with their
// zero moved by a fifth of the target, are told of where they go on for 30 ms after
// the release; that is a third of them, and all begin with the screw being turned. As
// they are, and as a tool would record them that begins at a threshold of 0.2 N·m
// and of 0.6 N·m, they are not told of.
func TestStationZero(t *testing.T) {
	var all, sound, moved, low, high int
	for _, r := range readRuns(t, "screw-tightening-wear/traces.jsonl") {
		tr := r.trace()
		told := func(tr *events.Trace) int {
			f := trace.Measure(tr, stationSpec)
			if f.Codes.Has(trace.NoZero) {
				return 1
			}
			return 0
		}
		all++
		sound += told(tr)
		moved += told(shifted(tr, 0.28))
		low += told(triggered(tr, 0.2))
		high += told(triggered(tr, 0.6))
	}
	if all != 368 || sound > 0 || low > 0 || high > 0 || moved < 120 {
		t.Errorf("of %d, the zero is told as off of %d as they are, %d moved, %d from 0.2 N·m on, %d from 0.6 N·m on; want 0, at least 120, 0, 0", all, sound, moved, low, high)
	}
}
