package trace_test

import (
	"bufio"
	"encoding/json"
	"os"
	"testing"

	"witnessmark/events"
)

// The station and loosening traces are real: N. West, J. Deuse, DOI
// 10.5281/zenodo.14729547, and A. Al Assadi et al., DOI
// 10.1016/j.jmsy.2022.07.013, both CC BY 4.0. They are read where they are.
const datasets = "../../../shared/datasets/"

type run struct {
	Run     int       `json:"run"`
	Use     int       `json:"use"`
	Result  string    `json:"result"`
	Kind    string    `json:"nok_kind"`
	Label   string    `json:"label"`
	Head    string    `json:"head_condition"`
	Size    string    `json:"size"`
	Start   []int     `json:"step_start"`
	TMs     []float64 `json:"t_ms"`
	Angle   []float64 `json:"angle_deg"`
	TorqueM []float64 `json:"torque_mNm"`
}

func (r *run) trace() *events.Trace {
	tr := &events.Trace{Angle: r.Angle}
	for i, t := range r.TMs {
		tr.TimesUs = append(tr.TimesUs, int64(t*1000+0.5))
		tr.Torque = append(tr.Torque, r.TorqueM[i]/1000)
	}
	return tr
}

func readRuns(tb testing.TB, name string) []run {
	tb.Helper()
	f, err := os.Open(datasets + name)
	if err != nil {
		tb.Skip("SKIPPED: no shared reference data: " + name)
	}
	defer f.Close()
	var runs []run
	for d := json.NewDecoder(bufio.NewReader(f)); d.More(); {
		var r run
		if err := d.Decode(&r); err != nil {
			tb.Fatal(err)
		}
		runs = append(runs, r)
	}
	return runs
}
