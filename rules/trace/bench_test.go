package trace_test

import (
	"testing"
	"time"

	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

// BenchmarkMeasure prints the cost of a sample beyond decoding. The aim is 10
// ns a sample at 1,000 samples, and no allocation. best-ns/sample is the
// fastest run: what it costs where nothing else is running.
func BenchmarkMeasure(b *testing.B) {
	for name, p := range map[string]pull{"fresh": fresh(), "repeat": repeat()} {
		tr := p.make()
		for len(tr.Torque) < 1000 {
			last := len(tr.Torque) - 1
			tr.Torque, tr.Angle = append(tr.Torque, tr.Torque[last]), append(tr.Angle, tr.Angle[last])
		}
		spec := trace.Spec{Target: quantity.NewtonMetres(100)}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			best := time.Duration(1 << 62)
			for b.Loop() {
				start := time.Now()
				f := trace.Measure(tr, spec)
				best = min(best, time.Since(start))
				sink = f.NetDeg
			}
			n := float64(len(tr.Torque))
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/sample")
			b.ReportMetric(float64(best.Nanoseconds())/n, "best-ns/sample")
		})
	}
}

func BenchmarkStationTraces(b *testing.B) {
	runs := readRuns(b, "screw-tightening-wear/traces.jsonl")
	n := 0
	for b.Loop() {
		b.StopTimer()
		tr := runs[n%len(runs)].trace()
		b.StartTimer()
		f := trace.Measure(tr, trace.Spec{})
		sink = f.NetDeg
		n++
	}
}

var sink float64
