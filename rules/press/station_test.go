package press

import (
	"bufio"
	"encoding/json"
	"os"
	"slices"
	"testing"
)

// No open set of press-in force curves was found. The nearest that there is:
// station tightenings, whose torque over angle has the same shape, a run-in of
// thread friction and a steep rise once the head seats (N. West, J. Deuse,
// "Screw Driving Dataset - s01", DOI 10.5281/zenodo.14729547, CC BY 4.0, in
// ../shared/datasets). The torque stands for the force, degrees for the way;
// the last 160° before the greatest torque stand for a stroke: about three
// times the set's median way from snug to the greatest torque, 51°. The rise is
// curved, so the knee comes later the shorter the stroke that is looked at:
// 0.42 N·m for 120°, 0.32 for 400° (measured here).
//
// Held against the set's own facts, which were worked out apart: snug at a
// median of 0.45 N·m, 5 to 95 % from 0.31 to 0.74 (knee of two straight lines),
// and its labels: of the runs labelled no-seat-angle-limit the screw stripped or
// never seated.
func TestSeatOfStationTightenings(t *testing.T) {
	file, err := os.Open("../../../shared/datasets/screw-tightening-wear/traces.jsonl")
	if err != nil {
		t.Skip("SKIPPED: no shared reference data: screw-tightening-wear/traces.jsonl")
	}
	defer file.Close()
	var knees []float64
	var ok, found, never, falsely int
	in := bufio.NewScanner(file)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		var r struct {
			Run    int       `json:"run"`
			Result string    `json:"result"`
			Kind   string    `json:"nok_kind"`
			Angle  []float64 `json:"angle_deg"`
			Torque []float64 `json:"torque_mNm"`
		}
		if err := json.Unmarshal(in.Bytes(), &r); err != nil {
			t.Fatal(err)
		}
		c := Curve{X: r.Angle, Force: r.Torque, Basis: ByTravel}
		_, at := c.Peak()
		from := at
		for from > 0 && r.Angle[from] > r.Angle[at]-160 {
			from--
		}
		c.X, c.Force = r.Angle[from:at+1], r.Torque[from:at+1]
		seat := FindSeat(c, 400) // a rise of 0.4 N·m
		switch {
		case r.Result == "OK":
			ok++
			if seat.Found {
				found++
				knees = append(knees, seat.Force/1000)
			}
		case r.Kind == "no-seat-angle-limit":
			never++
			if seat.Found {
				falsely++
			}
		}
	}
	if err := in.Err(); err != nil {
		t.Fatal(err)
	}
	slices.Sort(knees)
	q := func(p float64) float64 { return knees[int(p*float64(len(knees)-1))] }
	t.Logf("%d of %d good runs seat, knee %.2f N·m (5 %% %.2f, 95 %% %.2f); %d of %d that never seat", found, ok, q(0.5), q(0.05), q(0.95), falsely, never)
	if found < ok*97/100 {
		t.Errorf("%d of %d good runs seat, want 97 %% at least", found, ok)
	}
	if q(0.5) < 0.36 || q(0.5) > 0.54 || q(0.05) < 0.2 || q(0.95) > 0.8 {
		t.Errorf("knee %.2f N·m (%.2f to %.2f), want 0.45 within a fifth, and 0.2 to 0.8", q(0.5), q(0.05), q(0.95))
	}
	if falsely*4 > never {
		t.Errorf("%d of %d runs that never seat are called seated", falsely, never)
	}
}
