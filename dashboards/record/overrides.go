package record

import (
	"cmp"
	"slices"
)

// overridesInto adds the refused tools that a lead let be used for the job.
// They are deviations of the whole job: no step is named.
func (f *facts) overridesInto(r *Record) {
	if len(f.overrides) == 0 {
		return
	}
	for _, o := range f.overrides {
		r.Deviations = append(r.Deviations, Deviation{Tool: o.Tool, Was: o.Was, By: f.person(o.By, o.Seq), Reason: o.Reason, AtUs: o.AtUs, Seq: o.Seq})
	}
	slices.SortStableFunc(r.Deviations, func(a, b Deviation) int { return cmp.Compare(a.Seq, b.Seq) })
}
