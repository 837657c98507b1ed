package simulator

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"witnessmark/events/quantity"
)

// Shim is a step in which shims go in, and the play is measured again.
const Shim StepKind = "shim"

// DoShims fits shims.
const DoShims Deed = "shims"

// Stack says how shims act in a Shim step.
type Stack struct {
	Under  string // id of the measure step before, whose part has the play without shims
	Widens bool   // a thicker stack gives more play; else less
}

// ShimDesk is a Desk that proposes shims. Without one a technician takes the
// stack that gives what he wants to the µm.
type ShimDesk interface {
	// FitShims puts in what the page proposes and tells it, and returns how
	// thick that truly is.
	FitShims(ctx context.Context, j Job, step string) (quantity.Length, error)
}

func (s Step) validateShim(j Job) error {
	if s.How != "" && s.How != ByEndPlay && s.How != ByDifference {
		return fmt.Errorf("after shims nothing is measured by %s", s.How)
	}
	if !slices.ContainsFunc(j.Steps, func(o Step) bool { return o.ID == s.Stack.Under && o.Kind == Measure }) {
		return fmt.Errorf("no measure step %q", s.Stack.Under)
	}
	return nil
}

// shim fits what is proposed and measures again.
func (b *builder) shim(s Step) {
	i := slices.IndexFunc(b.truth.Measures, func(m Measured) bool { return m.Step == s.Stack.Under })
	if i < 0 {
		b.err = fmt.Errorf("step %s: step %q does not come before it", s.ID, s.Stack.Under)
		return
	}
	play, _ := b.truth.Measures[i].Value.Length()
	want, _ := b.truly(s).Length()
	b.truth.Shims = append(b.truth.Shims, s.ID)
	b.add(Action{Do: DoShims, Wait: b.pause(20, 60), Step: s.ID, Length: play, Want: want, Stack: s.Stack})
	b.add(Action{Do: DoMeasure, Wait: b.pause(15, 45), Step: s.ID, Tool: s.Tool, Length: play, How: s.How, Cycles: s.Cycles, Stack: s.Stack})
	if s.How == "" {
		b.truth.Readings++
	}
}

// after is the play that is left with a stack in.
func (k Stack) after(play, stack quantity.Length) quantity.Length {
	if k.Widens {
		return quantity.Millimetres(play.Millimetres() + stack.Millimetres())
	}
	return quantity.Millimetres(play.Millimetres() - stack.Millimetres())
}

// fit puts shims in.
func (p *performer) fit(ctx context.Context, a Action) error {
	p.passed = append(p.passed, a)
	desk, ok := p.Desk.(ShimDesk)
	if !ok {
		p.stacks[a.Step] = quantity.Millimetres(max(a.Length.Millimetres()-a.Want.Millimetres(), 0))
		if a.Stack.Widens {
			p.stacks[a.Step] = quantity.Millimetres(max(a.Want.Millimetres()-a.Length.Millimetres(), 0))
		}
		return nil
	}
	thick, err := desk.FitShims(ctx, p.job, a.Step)
	if err == nil {
		p.stacks[a.Step] = thick
	}
	return p.granted(err)
}

// withShims is the measurement after the stack is in; ok is false where none
// is.
func (p *performer) withShims(a Action) (_ Action, ok bool) {
	stack, ok := p.stacks[a.Step]
	if !ok {
		return a, false
	}
	a.Length = a.Stack.after(a.Length, stack)
	m := Measured{a.Step, a.Length.Value()}
	if i := slices.IndexFunc(p.out.Shimmed, func(x Measured) bool { return x.Step == a.Step }); i >= 0 {
		p.out.Shimmed[i] = m
	} else {
		p.out.Shimmed = append(p.out.Shimmed, m)
	}
	switch a.How {
	case ByEndPlay:
		c := EndPlayCourse(a.Length, max(a.Cycles, 1))
		a.Course = &c
	case ByDifference:
		c := DifferenceCourse(a.Length)
		a.Course = &c
	}
	return a, true
}

var errNoShims = errors.New("no shims are in")
