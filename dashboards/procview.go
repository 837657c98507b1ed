package dashboards

import (
	"fmt"
	"strings"

	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// procedure builds the view of one released revision.
func (v viewer) procedure(proc *procedure.Procedure) *procedureView {
	pv := &procedureView{ID: proc.ID, Revision: proc.Revision, Title: proc.Title, Unit: proc.Unit, Hash: proc.Hash, Cautions: proc.Cautions}
	for i := range proc.Steps {
		pv.Steps = append(pv.Steps, v.procedureStep(proc, i))
	}
	return pv
}

func (v viewer) procedureStep(proc *procedure.Procedure, i int) procedureStep {
	spec := &proc.Steps[i]
	s := procedureStep{stepView: stepView{ID: spec.ID, Title: spec.Title, Kind: stepKinds[spec.Kind], Number: i + 1, Of: len(proc.Steps),
		Text: spec.Text, Cautions: spec.Cautions, Statement: spec.Statement}}
	for _, id := range spec.Covers {
		if st, n := proc.Step(id); n >= 0 {
			s.Covers = append(s.Covers, fmt.Sprintf("step %d, %s", n+1, st.Title))
		}
	}
	if spec.Pause > 0 {
		s.Pause = spec.Pause.String()
	}
	if m := spec.Measure; m != nil {
		s.What, s.Limits = m.What, limitWords(m.LSL, m.USL, v.measureUnit(m))
	}
	if j := spec.Joint; j != nil {
		v.procedureJoint(&s, j)
	}
	s.Face = drawFace(proc.Face(spec.Face), spec.Joint, plainMarks(spec.Joint))
	return s
}

func (v viewer) procedureJoint(s *procedureStep, j *procedure.Joint) {
	s.Detail = jointDetail(j)
	s.All = len(j.Fasteners)
	s.Order = "Order advised."
	if j.Strict {
		s.Order = "Order demanded."
	}
	for p, pass := range j.Passes {
		u := v.passUnit(j, p, pass.Target)
		var order []string
		for _, i := range pass.Order {
			order = append(order, j.Fasteners[i].ID)
		}
		line := procedurePass{Name: pass.Name, Target: withUnit(pass.Target, u), Limits: limitWords(pass.LSL, pass.USL, u), Order: strings.Join(order, ", ")}
		if pass.Loose {
			line.Note = "judged loosely"
		}
		if pass.Closing {
			line.Note = strings.Trim(line.Note+", none may turn; asked for where the evidence is less than "+string(j.Evidence), ", ")
		}
		if !pass.AngleLo.IsZero() || !pass.AngleHi.IsZero() {
			line.Note = strings.Trim(line.Note+fmt.Sprintf(", rotation %.0f° to %.0f°", pass.AngleLo.Base(), pass.AngleHi.Base()), ", ")
		}
		s.Passes = append(s.Passes, line)
	}
}

func plainMarks(j *procedure.Joint) []mark {
	if j == nil {
		return nil
	}
	out := make([]mark, len(j.Fasteners))
	for i, f := range j.Fasteners {
		out[i] = mark{ID: f.ID, Look: rules.LookWaiting, Say: "Fastener " + f.ID}
	}
	return out
}
