package dashboards

import (
	"context"
	"fmt"
	"math"
	"strings"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules/drift"
)

// idleWithin is how far from zero, as a share of a tool's range, it may read
// while nothing is done with it, and idleScatter how much it may scatter. Of an
// indicator, whose work is a small part of its range and often near zero, they
// are so many of its steps. Our own choice: work shows many times more.
const (
	idleWithin       = 0.02
	idleScatter      = 0.005
	idleWithinSteps  = 20
	idleScatterSteps = 3
	usualStep        = 0.001 // mm, where the shop file does not say
)

// idleBounds are these two in a unit.
func idleBounds(t *events.Tool, u quantity.Unit) (within, scatter float64) {
	if t.Most.Dimension() != quantity.DimLength {
		most := math.Abs(t.Most.In(u))
		return idleWithin * most, idleScatter * most
	}
	step := quantity.Millimetres(usualStep).Value()
	if !t.Resolution.IsZero() {
		step = t.Resolution
	}
	return idleWithinSteps * step.In(u), idleScatterSteps * step.In(u)
}

// idleRun reports whether nothing was done with a tool while it showed this.
func idleRun(t *events.Tool, r *ledger.SampleMean) bool {
	u, ok := quantity.UnitByCode(r.Unit)
	if !ok || u.Dimension() != t.Most.Dimension() {
		return false
	}
	within, scatter := idleBounds(t, u)
	return r.N >= 5 && math.Abs(r.Mean) <= within && r.SD <= scatter
}

// idleWords says how a streaming tool's zero drifts and how it scatters while it
// lies idle, from the runs of samples in which nothing was done.
func (p *Pages) idleWords(ctx context.Context, t *events.Tool) ([]string, error) {
	runs, err := p.cfg.Ledger.SampleMeans(ctx, t.ID, 2000)
	if err != nil || len(runs) == 0 {
		return nil, err
	}
	var hours, zero []float64
	noise, n := 0.0, 0
	var unit quantity.Unit
	for i := range runs {
		r := &runs[i]
		// Work slows down where it turns back: a run beside one of work is none.
		if !idleRun(t, r) || i > 0 && !idleRun(t, &runs[i-1]) || i+1 < len(runs) && !idleRun(t, &runs[i+1]) {
			continue
		}
		u, _ := quantity.UnitByCode(r.Unit)
		at := float64(r.AtUs) / 3600e6
		if k := len(hours); k > 0 && (at <= hours[k-1] || unit != u) {
			continue
		}
		unit = u
		hours, zero = append(hours, at), append(zero, r.Mean)
		noise, n = noise+float64(r.SD*r.SD*float64(r.N-1)), n+r.N-1
	}
	if len(hours) < drift.LeastHistory {
		return []string{fmt.Sprintf("%s of samples while it lay idle: the zero wants %d.", plural(len(hours), "run"), drift.LeastHistory)}, nil
	}
	i, err := drift.IdleOf(hours, zero)
	if err != nil {
		return nil, err
	}
	sym, scatter := unit.Symbol(), math.Sqrt(noise/float64(max(1, n)))
	text := "its zero does not drift"
	if i.Sure {
		text = "its zero drifts"
	}
	return []string{
		fmt.Sprintf("While it lay idle %s: %s ± %s %s an hour (95 %%), from %s.", text, plain(i.Drift, i.Half), strings.TrimPrefix(plain(i.Half, i.Half), "+"), sym, plural(i.N, "run")+" of samples"),
		fmt.Sprintf("Its zero is at %s %s; it scatters by %s %s within a run.", plain(i.Zero, scatter), sym, strings.TrimPrefix(plain(scatter, scatter), "+"), sym),
	}, nil
}

// plain writes a figure with as many decimals as show two digits of what it can
// be off by, never as a power of ten.
func plain(v, off float64) string {
	decimals := 2
	if off > 0 {
		decimals = min(max(int(math.Ceil(1-math.Log10(off))), 0), 7)
	}
	if math.Abs(v) < math.Pow10(-decimals)/2 {
		v = 0
	}
	return fmt.Sprintf("%+.*f", decimals, v)
}
