package trace_test

import (
	"math"
	"slices"
	"testing"

	"witnessmark/rules/trace"
)

// The torque at which a quarter of the rotation was made follows from the form of the
// course: a fastener that was tight up to 40 of 101 N·m and whose torque then rises
// evenly has made it at 40 + 61/4, whether it turned 3° or 50°; one that only moves near
// its peak has made it there.
func TestQuarterOfTheRotation(t *testing.T) {
	tests := []struct {
		name string
		p    pull
		want float64 // N·m
		off  float64
	}{
		{"a later pass, 50°", pull{start: 40, snug: 40, top: 101, turn: 50}, 55.25, 1.5},
		{"a later pass, 10°", pull{start: 40, snug: 40, top: 101, turn: 10}, 55.25, 4},
		{"a later pass, 3°", pull{start: 40, snug: 40, top: 101, turn: 3}, 55.25, 9},
		{"run in first", fresh(), 6 + 14*170/4/120.0, 1.5},
		{"tight, and moves at its peak", pull{start: 98, snug: 98, top: 101, turn: 4}, 98.75, 1.5},
		{"tight, and hardly moves", repeat(), math.NaN(), 0},
	}
	for _, x := range tests {
		f := trace.Measure(x.p.make(), trace.Spec{})
		if math.IsNaN(x.want) != math.IsNaN(f.QuarterNm) || math.Abs(f.QuarterNm-x.want) > x.off {
			t.Errorf("%s: a quarter of the rotation at %.1f N·m, want %.2f", x.name, f.QuarterNm, x.want)
		}
	}
}

// On the station's real joints (N. West, J. Deuse, DOI 10.5281/zenodo.14729547), whose
// rotation after snug spreads by a quarter, that torque as a share of the peak spreads
// within rules/match's QuarterSpread of 0.03.
func TestQuarterOfStationJoints(t *testing.T) {
	var share []float64
	all := 0
	for _, r := range readRuns(t, "screw-tightening-wear/traces.jsonl") {
		if r.Result != "OK" {
			continue
		}
		all++
		f := trace.Measure(r.trace(), stationSpec)
		if f.QuarterNm == f.QuarterNm {
			share = append(share, f.QuarterNm/f.PeakNm)
		}
	}
	slices.Sort(share)
	t.Logf("%d of %d told; share of the peak 5 %% %.3f, median %.3f, 95 %% %.3f, most %.3f", len(share), all, at(share, 0.05), at(share, 0.5), at(share, 0.95), at(share, 1))
	if len(share) < all*95/100 {
		t.Errorf("a quarter of the rotation is told of %d of %d", len(share), all)
	}
	if spread := (at(share, 0.841) - at(share, 0.159)) / 2; spread > 0.03 {
		t.Errorf("its torque spreads by %.3f of the peak", spread)
	}
	if at(share, 0.99) > 0.85 {
		t.Errorf("99 %% at %.2f of the peak", at(share, 0.99))
	}
}
