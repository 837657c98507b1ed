package main

import (
	"testing"

	"witnessmark/events"
)

// A fastener that is more likely left out than tight is never called so without
// what made it doubtful.
func TestWhyLeftOut(t *testing.T) {
	counted := func(n int, fastener string, e ...judgedExplanation) judgedPull {
		return judgedPull{Pull: n, Value: "75.0 N·m", Became: becameCounted, Step: "flange", Pass: "final", Fastener: fastener, Explanations: e}
	}
	again := judgedExplanation{string(events.ExplainedRepeat), "1", 0.7}
	first := judgedExplanation{string(events.ExplainedNext), "2", 0.3}
	asked := judgedQuestion{Question: "Q1", Step: "flange", Pull: 2, Open: true}
	for name, x := range map[string]struct {
		out  judgement
		want string
	}{
		"a pull that may have been a second one": {judgement{Pulls: []judgedPull{counted(1, "1", judgedExplanation{string(events.ExplainedNext), "1", 1}), counted(2, "2", again, first)}},
			"more likely left out than tight: pull 2, 75.0 N·m, counted for 2, may have been once more on 1 (0.70)"},
		"its own pull was rather another's": {judgement{Pulls: []judgedPull{counted(2, "2", again, first), counted(3, "3", judgedExplanation{string(events.ExplainedOther), "2", 0.8})}},
			"more likely left out than tight: pull 3, 75.0 N·m, counted for 3, may have been on 2 (0.80)"},
		"of another pass":     {judgement{Pulls: []judgedPull{{Pull: 1, Became: becameCounted, Step: "flange", Pass: "snug", Fastener: "3", Explanations: []judgedExplanation{again}}}}, "more likely left out than tight: by the times, torques and rotations of all pulls of the pass together"},
		"a question is open":  {judgement{Questions: []judgedQuestion{asked}, Pulls: []judgedPull{counted(2, "2", again)}}, "more likely left out than tight: question Q1 about pull 2 is open"},
		"on no fastener":      {judgement{Pulls: []judgedPull{counted(2, "2", judgedExplanation{string(events.ExplainedNowhere), "", 0.6})}}, "more likely left out than tight: pull 2, 75.0 N·m, counted for 2, may have been on no fastener (0.60)"},
		"on another step":     {judgement{Pulls: []judgedPull{counted(2, "2", judgedExplanation{string(events.ExplainedElsewhere), "", 0.6})}}, "more likely left out than tight: pull 2, 75.0 N·m, counted for 2, may have been on another step (0.60)"},
		"the same cycle":      {judgement{Pulls: []judgedPull{counted(2, "2", judgedExplanation{string(events.ExplainedSameCycle), "", 0.6})}}, "more likely left out than tight: pull 2, 75.0 N·m, counted for 2, may have been the same cycle sent twice (0.60)"},
		"a question answered": {judgement{Questions: []judgedQuestion{{Question: "Q1", Step: "flange", Pull: 2}}, Pulls: []judgedPull{counted(2, "2", again)}}, "more likely left out than tight: pull 2, 75.0 N·m, counted for 2, may have been once more on 1 (0.70)"},
	} {
		j := judging{out: &x.out}
		if got := j.whyLeftOut(&judgedFastener{Step: "flange", Pass: "final", Fastener: "3"}); got != x.want {
			t.Errorf("%s:\n%s, want\n%s", name, got, x.want)
		}
	}
}

// What was weighed of an earlier pass says nothing of a fastener's later pull.
func TestWeightOfItsOwnPass(t *testing.T) {
	j := judging{weighed: []events.WitnessWeighed{{Step: "flange", Pass: 0, Fasteners: []events.FastenerWeight{{Fastener: "3", P: 0.1}}}}}
	for pass, want := range []bool{true, false} {
		c := judgedFastener{Step: "flange", Fastener: "3"}
		if j.weightOf(&c, pass); (c.P != nil) != want {
			t.Errorf("mark of pass %d: weight %v", pass, c.P)
		}
	}
}
