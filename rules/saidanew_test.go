package rules

import (
	"slices"
	"testing"

	"witnessmark/events"
)

// How sure each fastener is, once said, is said anew where the pass is open again;
// of a pass that never was finished nothing is said.
func TestWitnessesAreWeighedAnew(t *testing.T) {
	f := newFurther(t, furtherTurns[2].turn)
	j := f.s.Jobs["J"]
	i := slices.IndexFunc(j.Steps, func(st StepState) bool {
		return len(st.Weigh) > 0 && slices.ContainsFunc(st.Weigh, func(w *PassWeigh) bool { return w.Told })
	})
	if i < 0 {
		t.Fatal("no step was weighed")
	}
	pass := finalPass(j.Proc.Steps[i].Joint)
	for _, told := range []bool{true, false} {
		job := *j
		job.Steps = slices.Clone(j.Steps)
		st := &job.Steps[i]
		st.Fasteners = slices.Clone(st.Fasteners)
		k := j.Proc.Steps[i].Joint.Passes[pass].Order[1]
		st.Fasteners[k].Marks = slices.Clone(st.Fasteners[k].Marks)
		st.Fasteners[k].Marks[pass] = Mark{}
		if st.Fasteners[k].doneIn(pass) {
			t.Fatal("it is done without its pull")
		}
		st.ownWeigh(pass).Told = told
		x := &tx{s: f.s, job: &job}
		x.weighWitnesses(i, pass)
		var said []events.FastenerWeight
		for _, o := range x.out {
			if w, ok := o.Data.(events.WitnessWeighed); ok {
				said = w.Fasteners
			}
		}
		if want := len(j.Proc.Steps[i].Joint.Passes[pass].Order) - 1; told && len(said) != want || !told && said != nil {
			t.Errorf("said before: %v: %d fasteners are weighed, want %d", told, len(said), want)
		}
	}
}
