package record

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// ringText is procedureText with a joint of class A.
var ringText = strings.NewReplacer("class: B", "class: A", "      - {name: snug, target: 25 N·m, limits: ± 20 %}\n", "").Replace(procedureText)

// weighedPull is a pull of the cover and what it was taken for.
func (s *story) weighedPull(nm float64, text string, deg float64, es ...events.Explanation) (uint64, events.ReadingTaken, events.PullWeighed) {
	r := events.ReadingTaken{Device: "d-w1", Tool: "w1", Bench: "axle", Mode: events.ModePeak, Text: text, Unit: "N.m",
		Value: quantity.NewtonMetres(nm).Value(), Angle: quantity.Degrees(deg).Value(), ToolStatus: "ok", ReceivedAtUs: s.at,
		Trace: &events.Trace{PeriodUs: 1200, Torque: make([]float64, 400)}}
	seq := s.add("device/d-w1", r)
	return seq, r, events.PullWeighed{Reading: seq, Job: "j-1", Step: "cover", Explanations: es, Tool: "w1", AtUs: s.at, Torque: r.Value, Angle: r.Angle}
}

// final is the judgement of a pull in the only pass of ringText's cover.
func (s *story) final(seq uint64, r events.ReadingTaken, fastener string, g events.Grade, p float64) events.ReadingJudged {
	j := s.judgement(seq, r, "cover", fastener, 1, events.Within)
	j.Pass, j.Grade, j.P, j.Angle = 0, g, p, r.Angle
	return j
}

// sure weighs the four bolts of the cover.
func sure(all float64, ps ...float64) events.WitnessWeighed {
	w := events.WitnessWeighed{Job: "j-1", Step: "cover", AllTight: all}
	for i, p := range ps {
		x := events.FastenerWeight{Fastener: string(rune('1' + i)), P: p}
		switch {
		case p >= 0.95:
			x.Grade = events.Reasoned
		case p > 0:
			x.Grade = events.Counted
		}
		w.Fasteners = append(w.Fasteners, x)
	}
	return w
}

func next(fastener string, p float64) events.Explanation {
	return events.Explanation{Kind: events.ExplainedNext, Fastener: fastener, P: p}
}

func repeat(fastener string, p float64) events.Explanation {
	return events.Explanation{Kind: events.ExplainedRepeat, Fastener: fastener, P: p}
}

// weighed is a job whose pulls are weighed. The second pull is first taken for
// bolt 2, then for a repeat on bolt 1; a question is asked; a swing is set
// aside; a cycle is lost; bolt 4 needs the closing round.
func weighed() *story {
	s := storyWeighed(ringText)
	r1, t1, w1 := s.weighedPull(45.1, "45.1", 41, next("1", 0.998))
	s.decide(r1, s.final(r1, t1, "1", events.Reasoned, 0.998), w1, sure(0, 0.998, 0, 0, 0))
	r2, t2, w2 := s.weighedPull(46.2, "46.2", 9, next("4", 0.62), repeat("1", 0.36), next("2", 0.02))
	s.decide(r2, s.final(r2, t2, "4", events.Counted, 0.62), w2, sure(0, 0.998, 0, 0, 0.62))
	r3, t3, w3 := s.weighedPull(45.0, "45.0", 40, next("4", 0.971), events.Explanation{Kind: events.ExplainedOther, Fastener: "2", P: 0.029})
	w2.Explanations = []events.Explanation{repeat("1", 0.967), next("4", 0.033)}
	s.decide(r3, events.ReadingVoided{Reading: r2, Job: "j-1", Step: "cover", Fastener: "4", Reason: "read otherwise"},
		events.PullSetAside{Reading: r2, Job: "j-1", Step: "cover", Kind: events.ExplainedRepeat, Fastener: "1", P: 0.967,
			Why: "bolt 1 was tight: the pull turned it by 9° only", Bench: "axle", Tool: "w1", Value: t2.Value, Text: t2.Text, Unit: t2.Unit, Angle: t2.Angle, By: "ines", AtUs: t2.ReceivedAtUs},
		s.final(r3, t3, "4", events.Reasoned, 0.971), w3, w2, sure(0, 0.9993, 0, 0, 0.971),
		events.AlertRaised{Alert: "A9-0", Kind: events.AlertRepeat, Bench: "axle", Job: "j-1", Step: "cover", Fasteners: []string{"4"}, Reading: r2, P: 0.967,
			Likely: []events.FastenerWeight{{Fastener: "4", P: 0.028}, {Fastener: "2", P: 0.0004}}, Text: "Bolt 1 was pulled twice.", Todo: "Pull bolt 4.", AtUs: s.at},
		events.QuestionAsked{Question: "Q9", Job: "j-1", Bench: "axle", Step: "cover", Reading: r2, Text: "Was the second pull bolt 1 again?",
			Choices: []events.Choice{{Key: "again", Text: "Bolt 1 again"}, {Key: "other", Text: "Bolt 4"}}, AtUs: s.at})
	s.ask("ines", func(a events.Ask) events.Data {
		return events.QuestionAnswered{Ask: a, Job: "j-1", Question: "Q9", Choice: "again"}
	}, events.QuestionSettled{Question: "Q9", Job: "j-1", By: "ines", Choice: "again", How: "Bolt 1 again", AtUs: s.at},
		events.AlertSettled{Alert: "A9-0", How: "bolt 4 was pulled", AtUs: s.at})
	r4, t4, w4 := s.weighedPull(12.4, "12.4", 3, events.Explanation{Kind: events.ExplainedSwing, Fastener: "2", P: 0.88}, events.Explanation{Kind: events.ExplainedNowhere, P: 0.12})
	s.decide(r4, w4, events.PullSetAside{Reading: r4, Job: "j-1", Step: "cover", Kind: events.ExplainedSwing, Fastener: "2", P: 0.88,
		Why: "it stopped far below the target and a full pull followed", Bench: "axle", Tool: "w1", Value: t4.Value, Text: t4.Text, Unit: t4.Unit, Angle: t4.Angle, By: "ines", AtUs: t4.ReceivedAtUs})
	a := s.add("device/d-w1", events.CounterGapFound{Device: "d-w1", Tool: "w1", Bench: "axle", After: 4, Next: 6, ReceivedAtUs: s.at})
	s.decide(a, events.CyclesLost{Job: "j-1", Step: "cover", Tool: "w1", Cycles: 1, AtUs: s.at})
	r5, t5, w5 := s.weighedPull(44.9, "44.9", 38, next("2", 0.91), events.Explanation{Kind: events.ExplainedOther, Fastener: "3", P: 0.09})
	w5.Lost = 1
	s.decide(r5, s.final(r5, t5, "2", events.Counted, 0.91), w5, sure(0, 0.9993, 0.91, 0, 0.982))
	return s
}

func storyWeighed(text string) *story {
	s := storyWith(text)
	for i := range s.entries {
		d, ok := s.entries[i].Data.(events.Decided)
		if !ok {
			continue
		}
		if o, ok := d.Outcomes[0].Data.(events.JobOpened); ok {
			o.Weighed = true
			d.Outcomes[0].Data = o
		}
	}
	return s
}

// audited is the same job with its closing round and two audits.
func audited() *story {
	s := weighed()
	r, t, w := s.weighedPull(45.3, "45.3", 37, next("3", 0.989))
	s.decide(r, s.final(r, t, "3", events.Reasoned, 0.989), w, sure(0.9, 0.9993, 0.93, 0.989, 0.982))
	r, t, w = s.weighedPull(45.6, "45.6", 2, repeat("2", 0.997))
	closing := s.final(r, t, "2", events.Reasoned, 0.997)
	closing.Pass, w.Pass = 1, 1
	ww := sure(0.97, 0.9993, 0.997, 0.989, 0.982)
	ww.Pass = 1
	s.decide(r, closing, w, ww, events.StepFinished{Job: "j-1", Step: "cover", By: "ines", AtUs: s.at})
	audit := func(fastener string, nm float64, text string, agrees bool) {
		s.ask("maren", func(a events.Ask) events.Data {
			return events.ResidualAuditAsked{Ask: a, Job: "j-1", Step: "cover", Fastener: fastener, Method: events.ResidualFirstMovement}
		}, events.ResidualAuditOpened{Job: "j-1", Step: "cover", Fastener: fastener, Method: events.ResidualFirstMovement, By: "maren", AtUs: s.at})
		if nm == 0 {
			return
		}
		seq, _ := s.take(nm, text)
		s.decide(seq, events.ResidualJudged{Reading: seq, Job: "j-1", Step: "cover", Fastener: fastener, Method: events.ResidualFirstMovement,
			Residual: quantity.NewtonMetres(nm).Value(), U: quantity.NewtonMetres(1.8).Value(), Installed: quantity.NewtonMetres(45).Value(),
			Low: quantity.NewtonMetres(38).Value(), High: quantity.NewtonMetres(52).Value(), Agrees: agrees, Text: "Looked at by the lead.", By: "maren", AtUs: s.at})
	}
	audit("1", 44.2, "44.2", true)
	audit("2", 0, "", false)
	audit("3", 31.5, "31.5", false)
	return s
}

func TestWeighedProcedure(t *testing.T) {
	if p, problems := procedure.Parse("ring", []byte(ringText)); p == nil {
		t.Fatal(problems.Err())
	}
}

func TestWeighedRecordAsText(t *testing.T) {
	golden(t, "weighed.golden", text(t, built(t, weighed(), "j-1")))
	got := text(t, built(t, audited(), "j-1"))
	golden(t, "audited.golden", got)
	for line := range strings.SplitSeq(string(got), "\n") {
		if n := utf8.RuneCountInString(line); n > width {
			t.Errorf("%d columns, want at most %d: %s", n, width, line)
		}
	}
}

func TestWeighedRecordAsJSON(t *testing.T) {
	b, err := json.MarshalIndent(built(t, audited(), "j-1"), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "audited.json.golden", append(b, '\n'))
}

// TestEvidenceIsToldAsItIs: grades and probabilities by hand from the story.
func TestEvidenceIsToldAsItIs(t *testing.T) {
	r := built(t, audited(), "j-1")
	got := map[string]string{}
	for _, s := range r.Steps {
		if s.Joint == nil {
			continue
		}
		for _, x := range s.Joint.Fasteners {
			got[x.ID] = x.State + " " + graded(x.Grade, x.P)
		}
	}
	want := map[string]string{
		"1": "witnessed reasoned, >0.999", // 0.9993: never written as certain
		"2": "witnessed reasoned, 0.997",  // counted at the final torque, then the closing round
		"3": "witnessed reasoned, 0.989",
		"4": "witnessed reasoned, 0.982",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("fasteners (-want +got):\n%s", d)
	}
	s := r.Summary
	if s.SetAside != 2 || s.ReadOtherwise != 1 || s.Questions != 1 || s.LostCycles != 1 || s.Audits != 2 || s.AuditsDiffer != 1 {
		t.Errorf("summary %+v, want 2 set aside, 1 read otherwise, 1 question, 1 lost, 2 audits, 1 that differs", s)
	}
	if s.LeastSure == nil || s.LeastSure.Fastener != "4" || s.LeastSure.P != 0.982 {
		t.Errorf("least sure %+v, want fastener 4 at 0.982", s.LeastSure)
	}
}

// TestAuditIsNeverAWitness: an audit adds no pull and changes no fastener.
func TestAuditIsNeverAWitness(t *testing.T) {
	before, after := built(t, weighed(), "j-1"), built(t, auditOf(weighed()), "j-1")
	steps := func(r *Record) string {
		b, err := json.MarshalIndent(r.Steps, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if d := cmp.Diff(steps(before), steps(after)); d != "" {
		t.Errorf("steps (-before +after the audit):\n%s", d)
	}
	if len(after.Audits) != 1 || after.Audits[0].Result == nil {
		t.Errorf("audits %+v, want one with its result", after.Audits)
	}
}

// auditOf audits bolt 3, which has no pull yet.
func auditOf(s *story) *story {
	seq, _ := s.take(45, "45.0")
	s.decide(seq, events.ResidualJudged{Reading: seq, Job: "j-1", Step: "cover", Fastener: "3", Method: events.ResidualTighten,
		Residual: quantity.NewtonMetres(45).Value(), By: "maren", AtUs: s.at})
	return s
}

// TestPullThatLaterOnesMoved: a pull that counted for one bolt and, by later
// pulls, for another is told at both, counts once, and nobody voided it.
func TestPullThatLaterOnesMoved(t *testing.T) {
	s := storyWeighed(ringText)
	r1, t1, w1 := s.weighedPull(45.1, "45.1", 41, next("1", 0.8), events.Explanation{Kind: events.ExplainedOther, Fastener: "4", P: 0.2})
	s.decide(r1, s.final(r1, t1, "1", events.Counted, 0.8), w1)
	r2, t2, w2 := s.weighedPull(45.3, "45.3", 40, next("1", 0.97))
	w1.Explanations = []events.Explanation{{Kind: events.ExplainedOther, Fastener: "4", P: 0.97}}
	s.decide(r2, w2, w1, events.ReadingVoided{Reading: r1, Job: "j-1", Step: "cover", Fastener: "1", Reason: "a later pull showed that it was something else"},
		s.final(r1, t1, "4", events.Reasoned, 0.97), s.final(r2, t2, "1", events.Reasoned, 0.97))
	r := built(t, s, "j-1")
	got := map[string]string{}
	for _, x := range r.Steps[2].Joint.Fasteners {
		for _, p := range x.Passes[0].Pulls {
			got[x.ID] += p.SentText + " " + join(": ", p.Fate, p.FateWhy) + ";"
		}
	}
	want := map[string]string{"1": "45.1 counted elsewhere later: cover, fastener 4;45.3 ;", "4": "45.1 ;"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("pulls (-want +got):\n%s", d)
	}
	if s := r.Summary; s.Readings != 2 || s.Voided != 0 || s.ReadOtherwise != 1 {
		t.Errorf("summary %+v, want 2 readings, none voided, 1 read differently", s)
	}
	if text := string(text(t, r)); !strings.Contains(text, "first read as fastener 1, next in order (0.800)") {
		t.Errorf("the text does not say how the pull was read first:\n%s", text)
	}
}
