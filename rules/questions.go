package rules

import (
	"fmt"
	"strconv"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// answered takes the answer to a question about a pull as evidence.
func (t *tx) answered(r *request, d events.QuestionAnswered) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	q := t.job.Question
	if q == nil || q.Question != d.Question {
		t.refuse(r, "unknown_question", fmt.Sprintf("question %q is not open", d.Question), "It may have been answered already, or a later pull has settled it.")
		return
	}
	var choice *events.Choice
	for i := range q.Choices {
		if q.Choices[i].Key == d.Choice {
			choice = &q.Choices[i]
		}
	}
	if choice == nil {
		t.refuse(r, "bad_choice", fmt.Sprintf("%q is no answer to question %q", d.Choice, d.Question), "Choose one of the answers that the page offers.")
		return
	}
	t.add(events.QuestionSettled{Question: q.Question, Job: d.Job, By: r.By, Choice: d.Choice, How: choice.Text, AtUs: t.at})
	t.why = "the answer was: " + choice.Text
	t.reweigh(q.Step, q.Pass)
	t.follow()
}

// askAbout asks about a pull. One question at a time: an open one goes only where
// it is about a joint of lesser consequence.
func (t *tx) askAbout(q events.QuestionAsked) {
	if old := t.job.Question; old != nil {
		was, now := t.job.classOf(old.Step), t.job.classOf(q.Step)
		if now >= was {
			return
		}
		t.add(events.QuestionSettled{Question: old.Question, Job: t.job.ID, How: fmt.Sprintf("one about a joint of class %s comes first", now), AtUs: t.at})
	}
	q.Question, q.AtUs = "Q"+strconv.FormatUint(t.seq, 10), t.at
	q.Job, q.Bench = t.job.ID, t.job.Bench
	t.add(q)
}

// classOf is the consequence class of a torque step.
func (j *Job) classOf(step string) procedure.Class {
	if p, _ := j.Proc.Step(step); p != nil && p.Joint != nil {
		return p.Joint.Class
	}
	return procedure.ClassC
}

// dropQuestion settles the open question about a step's pass, because it no
// longer matters.
func (t *tx) dropQuestion(step string, pass int, how string) {
	if q := t.job.Question; q != nil && q.Step == step && q.Pass == pass {
		t.add(events.QuestionSettled{Question: q.Question, Job: t.job.ID, How: how, AtUs: t.at})
	}
}
