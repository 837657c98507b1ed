package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/trace"
)

// judgingJobs is how many jobs of 24 pulls are judged for each kind of tool.
const judgingJobs = 40

// judging measures what the rules take to judge one pull at a joint of 24
// fasteners with all hypotheses, by what the tool tells, beside what it costs
// to write and read that pull's event, which must be done anyway; and what a
// trace of 1,000 samples costs a sample, beside decoding it.
func (b *bencher) judging(ctx context.Context) ([]benchResult, error) {
	proc, err := newProcText("bench.yaml", []byte(judgingProcedure))
	if err != nil {
		return nil, err
	}
	jobs := max(3, min(judgingJobs, b.sizes.latency/75))
	var all []benchResult
	for _, tier := range []string{"torque", "angle", "trace"} {
		var ours, floor []time.Duration
		for n := range jobs {
			s, err := loadStream(ctx, strings.NewReader(judgingStream(tier, n)))
			if err != nil {
				return nil, err
			}
			j := &judging{stream: s, whole: proc, proc: proc, state: rules.New(), alerts: map[string]int{}}
			j.begin(nil)
			if err := j.open(); err != nil {
				return nil, err
			}
			for i := range s.records {
				start := time.Now()
				j.record(&s.records[i])
				took := time.Since(start)
				if s.records[i].kind != recordReading || n == 0 { // the first job warms
					continue
				}
				ours = append(ours, took)
				f, err := eventFloor(&s.records[i].reading)
				if err != nil {
					return nil, err
				}
				floor = append(floor, f)
			}
			if len(j.out.Alerts) > 0 {
				return nil, fmt.Errorf("judge a clean job: alert %s", j.out.Alerts[0].Text)
			}
		}
		what := "the same pull's event written and read once"
		all = append(all,
			newBenchResult("a pull judged, 24 fasteners, "+tier+", p50", "ms", quantile(ours, 0.5), quantile(floor, 0.5), what, judgingGoal[tier], true),
			newBenchResult("a pull judged, 24 fasteners, "+tier+", p99", "ms", quantile(ours, 0.99), quantile(floor, 0.99), what, judgingGoal[tier], true))
		if tier == "trace" {
			r, err := traceCost(judgingStream(tier, 1))
			if err != nil {
				return nil, err
			}
			all = append(all, r)
		}
	}
	return all, nil
}

// judgingGoal is how many times the floor a pull may cost. Set after measuring
// (a pull of 1 ms at the most on one quiet core), so that growth shows.
var judgingGoal = map[string]float64{"torque": 60, "angle": 60, "trace": 3}

// eventFloor takes the time to write and read a reading's event.
func eventFloor(r *events.ReadingTaken) (time.Duration, error) {
	start := time.Now()
	_, data, err := events.Encode(*r)
	if err != nil {
		return 0, err
	}
	var back events.ReadingTaken
	if err := json.Unmarshal(data, &back); err != nil {
		return 0, err
	}
	return time.Since(start), nil
}

// traceCost is what the evaluation of a trace costs a sample, beside decoding.
func traceCost(stream string) (benchResult, error) {
	s, err := loadStream(context.Background(), strings.NewReader(stream))
	if err != nil {
		return benchResult{}, err
	}
	tr := s.records[0].reading.Trace
	data, err := json.Marshal(tr)
	if err != nil {
		return benchResult{}, err
	}
	least := func(do func()) float64 {
		best := time.Duration(math.MaxInt64)
		for range 400 {
			start := time.Now()
			do()
			best = min(best, time.Since(start))
		}
		return float64(best.Nanoseconds()) / float64(len(tr.Torque))
	}
	var back events.Trace
	decode := least(func() { back = events.Trace{}; err = json.Unmarshal(data, &back) })
	if err != nil {
		return benchResult{}, err
	}
	spec := trace.Spec{Target: quantity.NewtonMetres(40)}
	measure := least(func() { trace.Measure(tr, spec) })
	return newBenchResult("a trace of 1,000 samples evaluated, best of 400", "ns/sample", measure, decode, "decoding the same trace once", 0.25, true), nil
}

// judgingProcedure is an invented plate with 24 bolts in one final pass.
const judgingProcedure = `# Invented.
procedure: BENCH-24
revision: A
title: Invented plate of 24 bolts
unit: Invented plate
faces:
  - {id: top, title: Top, outlines: [{shape: circle, r: 220, style: body}]}
steps:
  - id: plate
    title: Plate
    kind: torque
    face: top
    class: B
    fasteners: [{ring: {count: 24, diameter: 400}, head: 13}]
    order: clockwise
    passes: [{name: final, target: 40 N·m, limits: ± 10 %}]
`

// judgingStream is a clean job of 24 pulls; a trace has 1,000 samples.
func judgingStream(tier string, n int) string {
	angle, rate := "null", "null"
	if tier != "torque" {
		angle = "0.5"
	}
	if tier == "trace" {
		rate = "1000"
	}
	var b strings.Builder
	fmt.Fprintf(&b, `{"stream":1,"tools":[{"tool":"K2","unit":"N·m","resolution":0.1,"capacity":200,"least":5,"threshold":5,"counter":"cycles","angle_resolution":%s,"duration":%t,"trace_rate":%s,"u_rel":0.01}],"job":{"id":"bench-%d","unit_serial":"B%d"},"start":"2026-11-25T08:00:00Z"}`+"\n",
		angle, tier != "torque", rate, n, n)
	for i := 1; i <= 24; i++ {
		value, turn := 40+0.1*float64((i+n)*7%11-5), 30+(i+n)*5%7
		t := 10 + 3*i
		fmt.Fprintf(&b, `{"tool":"K2","seq":%d,"t":%d,"rx":%d.1,"value":%.1f,"unit":"N·m"`, i, t, t, value)
		if tier == "torque" {
			b.WriteString(`,"angle":null,"duration":null}` + "\n")
			continue
		}
		fmt.Fprintf(&b, `,"angle":%d,"duration":1`, turn)
		if tier == "trace" {
			b.WriteString(`,"trace":{"rate":1000,"torque":[`)
			madeSamples(&b, func(x float64) float64 { return value * rising(x) })
			b.WriteString(`],"angle":[`)
			madeSamples(&b, func(x float64) float64 { return float64(turn)*min(1, x/0.9) - 3*max(0, x-0.9)*10 })
			b.WriteString(`]}`)
		}
		b.WriteString("}\n")
	}
	return b.String()
}

// rising is a pull's torque as a share of its peak: slow up to the snug point,
// steep to the peak, then let go.
func rising(x float64) float64 {
	switch {
	case x < 0.4:
		return 0.2 + 0.25*x
	case x < 0.9:
		return 0.3 + 1.4*(x-0.4)
	}
	return max(0, 1-20*(x-0.9))
}

func madeSamples(b *strings.Builder, at func(x float64) float64) {
	for k := range 1000 {
		if k > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(b, "%.3f", at(float64(k)/999))
	}
}
