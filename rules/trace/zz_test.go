package trace_test

import (
	"fmt"
	"sort"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
	"witnessmark/simulator/labelled"
)

func TestZZ(t *testing.T) {
	type acc struct {
		n, snug, brk  int
		net, err, bre []float64
		codes         map[string]int
	}
	by := map[labelled.Kind]*acc{}

	for seed := uint64(1); seed <= 25; seed++ {
		shop := labelled.NewShop(seed, labelled.Trace)
		for j := range 6 {
			var fs []labelled.Fault
			if j%3 == 0 {
				fs = append(fs, labelled.MaskedTwice)
			}
			if j%3 == 1 {
				fs = append(fs, labelled.Stripping)
			}
			s, err := shop.Job(j, fs...)
			if err != nil {
				continue
			}
			for i, r := range s.Readings {
				tru := s.Truth.Readings[i]
				if r.Trace == nil {
					continue
				}
				tr := &events.Trace{Torque: r.Trace.Torque, Angle: r.Trace.Angle}
				if r.Trace.Rate > 0 {
					tr.PeriodUs = int64(1e6/r.Trace.Rate + .5)
				}
				for _, x := range r.Trace.T {
					tr.TimesUs = append(tr.TimesUs, int64(x*1e6+.5))
				}
				f := trace.Measure(tr, trace.Spec{Target: quantity.NewtonMetres(tru.TrueNm)})
				k := labelled.Kind(fmt.Sprint(tru.Kind, tru.Pass, tru.TurnDeg > 40))
				a := by[k]
				if a == nil {
					a = &acc{codes: map[string]int{}}
					by[k] = a
				}
				a.n++
				if f.SnugNm > 0 {
					a.snug++
				}
				if f.BreakNm > 0 {
					a.brk++
					a.bre = append(a.bre, f.MoveNm/tru.BreakNm)
				}
				a.net = append(a.net, f.NetDeg)
				if tru.TurnDeg > 0 {
					a.err = append(a.err, f.NetDeg/tru.TurnDeg)
				}
				for _, c := range f.Codes.Strings() {
					a.codes[c]++
				}
			}
		}
	}
	q := func(xs []float64) string {
		if len(xs) == 0 {
			return "-"
		}
		sort.Float64s(xs)
		p := func(f float64) float64 { return xs[int(f*float64(len(xs)-1))] }
		return fmt.Sprintf("p1=%.2f p5=%.2f p50=%.2f p95=%.2f p99=%.2f", p(.01), p(.05), p(.5), p(.95), p(.99))
	}
	for k, a := range by {
		t.Logf("%s n=%d snug=%d break=%d\n net %s\n net/turn %s\n move/true %s %v", k, a.n, a.snug, a.brk, q(a.net), q(a.err), q(a.bre), a.codes)
	}
}
