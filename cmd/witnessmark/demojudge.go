package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"witnessmark/dashboards/record"
	"witnessmark/events/ledger"
	"witnessmark/simulator"
)

// demoResult is what 'demo --exit --json' prints.
type demoResult struct {
	Seed   uint64      `json:"seed"`
	AsTrue bool        `json:"as_the_truth_demands"`
	Jobs   []jobResult `json:"jobs"`
}

// jobResult is what became of one job, beside what truly happened.
type jobResult struct {
	Job          string          `json:"job"`
	Unit         string          `json:"unit"`
	UnitSerial   string          `json:"unit_serial"`
	Bench        string          `json:"bench"`
	Fasteners    int             `json:"fasteners"`
	Witnessed    int             `json:"witnessed"`
	ByGrade      map[string]int  `json:"witnessed_by_grade"`
	Measured     int             `json:"measured"`
	Readings     int             `json:"readings_judged"`
	Alerts       []alertResult   `json:"alerts"`
	RefusedFirst bool            `json:"release_refused_at_first"`
	Released     bool            `json:"released"`
	Truth        simulator.Truth `json:"truth"`
	Differences  []string        `json:"differences"` // from the truth; empty if all agrees
}

type alertResult struct {
	Alert     string   `json:"alert"`
	Kind      string   `json:"kind"`
	Step      string   `json:"step,omitempty"`
	Fasteners []string `json:"fasteners,omitempty"`
	Text      string   `json:"text"`
	Settled   string   `json:"settled,omitempty"` // how; empty if open
}

// judgeJob compares a job's record with what truly happened.
func judgeJob(ctx context.Context, l *ledger.Ledger, s simulator.JobScript, o simulator.Outcome) (jobResult, error) {
	rec, err := record.Build(ctx, l, s.Job.ID)
	if err != nil {
		return jobResult{}, err
	}
	alerts, err := l.AlertsOf(ctx, s.Job.ID)
	if err != nil {
		return jobResult{}, err
	}
	r := jobResult{
		Job: s.Job.ID, Unit: rec.UnitModel, UnitSerial: rec.UnitSerial, Bench: s.Job.Bench,
		Fasteners: rec.Summary.Fasteners, Witnessed: rec.Summary.Witnessed, ByGrade: rec.Summary.WitnessedBy,
		Measured: rec.Summary.Measured, Readings: rec.Summary.Readings,
		RefusedFirst: o.RefusedFirst, Released: o.Released, Truth: s.Truth, Alerts: []alertResult{},
	}
	var kinds []string
	for _, a := range alerts {
		kinds = append(kinds, string(a.Kind))
		r.Alerts = append(r.Alerts, alertResult{Alert: a.Alert, Kind: string(a.Kind), Step: a.Step, Fasteners: a.Fasteners, Text: a.Text, Settled: a.SettledHow})
	}
	r.Differences = append(s.Truth.Check(o, kinds), witnessDifferences(rec, s.Truth)...)
	r.Differences = append(r.Differences, pressDifferences(rec, s.Truth)...)
	r.Differences = append(r.Differences, shimDifferences(rec, s.Truth, o)...)
	if len(s.Truth.Faults) == 0 {
		for _, u := range rec.Unplaced {
			r.Differences = append(r.Differences, fmt.Sprintf("nothing went wrong, and %s %s of %s was placed nowhere: %s", u.SentText, u.SentUnit, u.Tool, u.Why))
		}
	}
	if r.Differences == nil {
		r.Differences = []string{}
	}
	return r, nil
}

// witnessDifferences says where the record's witnesses and the fasteners that
// were truly tightened do not agree.
func witnessDifferences(rec *record.Record, truth simulator.Truth) []string {
	var diff []string
	within := 0
	for _, f := range truth.Fasteners {
		if f.Within {
			within++
		}
	}
	if rec.Summary.Witnessed != within {
		diff = append(diff, fmt.Sprintf("%d fasteners are witnessed, %d are truly tight", rec.Summary.Witnessed, within))
	}
	if rec.Summary.Fasteners != len(truth.Fasteners) {
		diff = append(diff, fmt.Sprintf("the record has %d fasteners, the unit %d", rec.Summary.Fasteners, len(truth.Fasteners)))
	}
	if taken := len(truth.Measures) + len(truth.Shims); rec.Summary.Measured != taken {
		diff = append(diff, fmt.Sprintf("%d values are measured, %d were taken", rec.Summary.Measured, taken))
	}
	return append(diff, measureDifferences(rec, truth.Measures)...)
}

// measureDifferences says where a value that counts is farther from what the
// part truly measures than its expanded uncertainty.
func measureDifferences(rec *record.Record, truly []simulator.Measured) []string {
	var diff []string
	for _, m := range truly {
		for i := range rec.Steps {
			s := &rec.Steps[i]
			if s.ID != m.Step || s.Measure == nil {
				continue
			}
			for _, v := range s.Measure.Values {
				if d := math.Abs(v.Value.Base() - m.Value.Base()); v.Counts && !(d <= v.U.Base()) {
					diff = append(diff, fmt.Sprintf("step %s: %g mm measured with U %g mm, the part truly has %g mm", m.Step, v.Value.Base(), v.U.Base(), m.Value.Base()))
				}
			}
		}
	}
	return diff
}

// shimDifferences says where the record's shims and what truly went in do not
// agree: each shim step ends with a value that agrees with its prediction, and
// that value is what the part truly measures with these shims in.
func shimDifferences(rec *record.Record, truth simulator.Truth, o simulator.Outcome) []string {
	diff := measureDifferences(rec, o.Shimmed)
	if len(o.Shimmed) != len(truth.Shims) {
		diff = append(diff, fmt.Sprintf("shims went in at %d steps of %d", len(o.Shimmed), len(truth.Shims)))
	}
	for _, id := range truth.Shims {
		i := slices.IndexFunc(rec.Steps, func(s record.Step) bool { return s.ID == id })
		var last record.ShimEvent
		if i >= 0 && rec.Steps[i].Shims != nil {
			for _, e := range rec.Steps[i].Shims.Events {
				last = e
			}
		}
		if last.Kind != "checked" || !last.Good {
			diff = append(diff, fmt.Sprintf("step %s: shims went in and the play was measured again; the record ends with %q, agrees %t", id, last.Kind, last.Good))
		}
	}
	return diff
}

func (r jobResult) writeText(w io.Writer) {
	state := map[bool]string{true: "released", false: "not released"}[r.Released]
	if r.RefusedFirst && r.Released {
		state = "released, after release was refused once"
	}
	fmt.Fprintf(w, "%s  %s %s at the %s bench: %d of %d fasteners witnessed, %d values measured, %s\n",
		r.Job, r.Unit, r.UnitSerial, r.Bench, r.Witnessed, r.Fasteners, r.Measured, state)
	if len(r.Alerts) == 0 {
		fmt.Fprintf(w, "        no alerts\n")
	}
	for _, a := range r.Alerts {
		fmt.Fprintf(w, "        alert %s: %s\n", strings.ReplaceAll(a.Kind, "_", " "), a.Text)
		if a.Settled != "" {
			fmt.Fprintf(w, "          settled: %s\n", a.Settled)
		}
	}
	for _, d := range r.Differences {
		fmt.Fprintf(w, "        NOT as the truth demands: %s\n", d)
	}
}
