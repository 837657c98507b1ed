package rules

import (
	"slices"
	"testing"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// One question is open at a time; one about a joint of higher consequence takes the
// place of another, and no other does.
func TestQuestionOfHigherClassComesFirst(t *testing.T) {
	r := newRunner(t)
	r.open(t, "J", "RA-210")
	j := r.s.Jobs["J"]
	step := map[procedure.Class]string{}
	for i := range j.Proc.Steps {
		if jt := j.Proc.Steps[i].Joint; jt != nil {
			step[jt.Class] = j.Proc.Steps[i].ID
		}
	}
	a, b := step[procedure.ClassA], step[procedure.ClassB]
	if a == "" || b == "" {
		t.Fatalf("the demo has joints of %v", step)
	}
	for _, x := range []struct {
		open, next string
		takes      bool
	}{{b, a, true}, {a, b, false}, {a, a, false}, {b, b, false}} {
		job := *j
		job.Question = &events.QuestionAsked{Question: "Q7", Step: x.open}
		u := &tx{s: r.s, job: &job, seq: 8}
		u.askAbout(events.QuestionAsked{Step: x.next})
		settled := slices.ContainsFunc(u.out, func(o events.Outcome) bool { d, ok := o.Data.(events.QuestionSettled); return ok && d.Question == "Q7" })
		asked := slices.ContainsFunc(u.out, func(o events.Outcome) bool { d, ok := o.Data.(events.QuestionAsked); return ok && d.Step == x.next })
		if settled != x.takes || asked != x.takes {
			t.Errorf("%s open, %s next: settled %v, asked %v, want %v", x.open, x.next, settled, asked, x.takes)
		}
	}
}
