package dashboards

import (
	"net/http"

	"witnessmark/rules"
)

// finished lists the fasteners that are finished, whose residual torque can be
// measured.
func (v viewer) finished(job *rules.Job) []choice {
	var out []choice
	for i := range job.Proc.Steps {
		if job.Proc.Steps[i].Joint == nil {
			continue
		}
		out = append(out, v.places(job, i, func(f int) bool {
			look := v.st.Look(job, i, f)
			return look == rules.LookWitnessed || look == rules.LookDoubtful
		})...)
	}
	return out
}

// askAudit is the form with which a lead opens a residual-torque audit.
func askAudit(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	a.Title, a.Button = "Audit a finished fastener", "The next pull is the audit"
	a.Lead = "The next pull at this bench measures what torque the fastener still holds. It counts for no fastener and no pass."
	a.Items = []string{"Some joints must not be tightened again or loosened for a check. The unit maker's instructions come first."}
	a.Places, a.Method = v.finished(job), "How it is measured"
	for _, m := range residualMethods {
		w := residualWords[m]
		a.Choices = append(a.Choices, choice{string(m), w.Text, w.Hint, false})
	}
	if len(a.Places) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "No fastener of this job is finished yet.", Todo: "Audit one once its last pass is done.", Back: a.Back, Name: "Back to the bench"}
	}
	a.By, a.ByTitle = leads(v, person(r)), "Who audits"
	return nil
}
