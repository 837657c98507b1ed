package rules

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/residual"
)

// auditAsked lets a lead take the next pull at the job's bench as the audit of
// the residual torque of one finished fastener.
func (t *tx) auditAsked(r *request, d events.ResidualAuditAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) || !t.mayDecide(r, "audit the residual torque of a fastener") {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	k, ok := t.fastenerOf(r, i, d.Fastener)
	if !ok {
		return
	}
	if _, known := residual.RatioOf(d.Method); !known {
		t.refuse(r, "bad_method", fmt.Sprintf("%q is no method of a residual-torque audit", d.Method), "Choose first_movement, tighten, loosen or loosen_retorque.")
		return
	}
	if !t.job.Steps[i].complete(t.job.Proc.Steps[i].Joint, k) {
		t.refuse(r, "not_finished", fmt.Sprintf("fastener %s is not finished: there is no installation to compare with", d.Fastener), "Finish it first.")
		return
	}
	t.add(events.ResidualAuditOpened{Job: d.Job, Step: d.Step, Fastener: d.Fastener, Method: d.Method, By: r.By, AtUs: t.at})
}

// audit judges a pull that was announced as an audit. It is never a witness,
// and counts for no pass.
func (t *tx) audit(r *reading, tool *toolDates) {
	a := t.job.Audit
	p, i := t.job.Proc.Step(a.Step)
	k := p.Joint.Fastener(a.Fastener)
	in := residual.Audit{
		Method: a.Method, Peak: quantity.NewtonMetres(math.Abs(r.value.Base())), Trace: r.trace, ToolU: tool.URel,
	}
	o := events.ResidualJudged{Reading: r.seq, Job: t.job.ID, Step: a.Step, Fastener: a.Fastener, Method: a.Method, Tool: r.tool, By: a.By, AtUs: r.at}
	if m := t.job.Steps[i].Fasteners[k].last(); m != nil {
		o.Installed = m.Judged.Value
		in.Installed, in.InstalledU = quantity.NewtonMetres(m.Judged.Value.Base()), t.s.index.tools[m.Judged.Tool].URel
	}
	res, err := residual.Judge(in)
	if err != nil {
		o.Text = fmt.Sprintf("No residual torque from %s of %s: %v.", r.said(quantity.Unit{}), t.s.toolName(r.tool), err)
		t.add(o)
		return
	}
	o.Residual, o.U, o.Low, o.High = res.Residual.Value(), res.U.Value(), res.Low.Value(), res.High.Value()
	o.Agrees, o.Text = res.Agrees, res.Text
	t.add(o)
}
