package demo

import (
	"testing"

	"witnessmark/rules/procedure"
)

func TestParse(t *testing.T) {
	for _, f := range Files() {
		p, probs := procedure.Parse(f.Name, []byte(f.Text))
		for _, pr := range probs {
			t.Error(pr)
		}
		if p == nil {
			continue
		}
		if p.ID != f.ID {
			t.Errorf("%s: id %q, want %q", f.Name, p.ID, f.ID)
		}
		for _, s := range p.Steps {
			if s.Joint == nil {
				t.Log(s.ID, s.Kind, s.Measure)
				continue
			}
			for _, pass := range s.Joint.Passes {
				var o []string
				for _, i := range pass.Order {
					o = append(o, s.Joint.Fasteners[i].ID)
				}
				t.Log(s.ID, pass.Name, pass.LSL.Base(), pass.Target.Base(), pass.USL.Base(), o)
			}
		}
	}
}
