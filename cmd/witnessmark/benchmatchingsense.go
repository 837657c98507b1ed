package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"text/tabwriter"

	"witnessmark/rules"
	"witnessmark/rules/match"
	"witnessmark/simulator/labelled"
)

// senseReport is what 'bench matching --sensitivity' prints.
type senseReport struct {
	Note  string         `json:"note"`
	World labelled.World `json:"world"`
	Seed  uint64         `json:"seed"`
	Jobs  int            `json:"jobs_each"`
	Rows  []senseRow     `json:"rows"`
}

// senseRow is the score with one parameter of the model changed.
type senseRow struct {
	Parameter string      `json:"parameter"` // "" for none
	Factor    float64     `json:"factor"`
	Value     float64     `json:"value"`
	Tiers     []senseTier `json:"tiers"`
}

type senseTier struct {
	Tier   labelled.Tier `json:"tier"`
	Masked int           `json:"masked_misses"`
	Found  int           `json:"found"`
	Three  int           `json:"named_within_three"`
	Clean  int           `json:"clean_jobs"`
	Alarms int           `json:"clean_jobs_with_a_missed_or_repeat_alert"`
	Asked  int           `json:"clean_jobs_with_a_question"`
}

// senseParameters are the names of the parameters that can be changed. The counts and
// bounds of the computation (Keep, Prune) are left alone.
func senseParameters() []string {
	var names []string
	form := reflect.TypeFor[match.Params]()
	for i := range form.NumField() {
		if f := form.Field(i); f.Type.Kind() == reflect.Float64 && f.Name != "Prune" {
			names = append(names, f.Name)
		}
	}
	return names
}

// sensitivity judges the same streams with each parameter, or each of some, doubled
// and halved. No joint is taught: what was learned would take the place of an
// assumption.
func (r *matchRun) sensitivity(ctx context.Context, only []string) (*senseReport, error) {
	out := &senseReport{Note: matchNote, World: r.world, Seed: r.seed, Jobs: r.jobs}
	row, err := r.sense(ctx, "", 1, 0, nil)
	if err != nil {
		return nil, err
	}
	out.Rows = append(out.Rows, row)
	for _, name := range senseParameters() {
		if len(only) > 0 && !slices.Contains(only, name) {
			continue
		}
		for _, factor := range []float64{0.5, 2} {
			p := match.Default()
			v := reflect.ValueOf(p).Elem().FieldByName(name)
			if x := v.Float(); strings.HasPrefix(name, "Odds") { // odds are no probability
				v.SetFloat(x * factor)
			} else {
				v.SetFloat(scaled(x, factor))
			}
			if row, err = r.sense(ctx, name, factor, v.Float(), p); err != nil {
				return nil, err
			}
			out.Rows = append(out.Rows, row)
		}
	}
	return out, nil
}

// scaled multiplies a parameter; what is nearer to 1 than doubling allows is a
// probability, whose other side is multiplied instead.
func scaled(v, factor float64) float64 {
	if v > 0.5 && v < 1 {
		return 1 - (1-v)/factor
	}
	return v * factor
}

// drawMasked draws a masked miss in every other job.
func drawMasked(rng *rand.Rand) []labelled.Fault {
	masked := []labelled.Fault{labelled.MaskedTwice, labelled.MaskedLost, labelled.MaskedCounted}
	if rng.IntN(2) == 0 {
		return nil
	}
	return []labelled.Fault{masked[rng.IntN(3)]}
}

func (r *matchRun) sense(ctx context.Context, name string, factor, value float64, p *match.Params) (senseRow, error) {
	row := senseRow{Parameter: name, Factor: factor, Value: value}
	run := *r
	run.progress, run.draw = io.Discard, drawMasked
	run.state = func() *rules.State {
		s := rules.New()
		s.UseMatching(p)
		return s
	}
	fmt.Fprintf(r.progress, "  %s × %g\n", name, factor)
	units := slices.DeleteFunc(run.units(labelled.Tiers()), func(u matchUnit) bool { return u.taught })
	all, err := run.judge(ctx, units, func(c *matchCase) caseScore { return scoreCase(c, false) })
	if err != nil {
		return row, err
	}
	for _, tier := range labelled.Tiers() {
		row.Tiers = append(row.Tiers, senseTierOf(tier, all))
	}
	return row, nil
}

func senseTierOf(tier labelled.Tier, all []caseScore) senseTier {
	x := senseTier{Tier: tier}
	for i := range all {
		c := &all[i]
		if c.tier != tier {
			continue
		}
		if c.clean {
			x.Clean++
			if slices.Contains(c.alarms, "missed_fastener") || slices.Contains(c.alarms, "repeat_pull") {
				x.Alarms++
			}
			if c.questions > 0 {
				x.Asked++
			}
		}
		for _, f := range c.faults {
			x.count(&f)
		}
	}
	return x
}

func (x *senseTier) count(f *faultScore) {
	if !f.masked || f.closing {
		return
	}
	x.Masked++
	if f.found {
		x.Found++
	}
	if f.three {
		x.Three++
	}
}

func (m *senseReport) write(w io.Writer) error {
	fmt.Fprintf(w, "%s\nThe %s world, seed %d, %d jobs for each kind of tool, untaught, every other one with a masked miss; the same streams in every row.\n", m.Note, m.World, m.Seed, m.Jobs)
	fmt.Fprint(w, "For each kind of tool: masked misses found / clean jobs with a missed or repeat alert / clean jobs with a question.\n\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprint(t, "parameter\tfactor\tvalue")
	for _, tier := range labelled.Tiers() {
		fmt.Fprintf(t, "\t%s", tier)
	}
	fmt.Fprintln(t)
	for _, r := range m.Rows {
		if r.Parameter == "" {
			fmt.Fprint(t, "as it is\t\t")
		} else {
			fmt.Fprintf(t, "%s\t%g\t%.3g", r.Parameter, r.Factor, r.Value)
		}
		for _, x := range r.Tiers {
			fmt.Fprintf(t, "\t%d of %d / %d of %d / %d", x.Found, x.Masked, x.Alarms, x.Clean, x.Asked)
		}
		fmt.Fprintln(t)
	}
	return t.Flush()
}
