package rules

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"witnessmark/rules/match"
)

// column reads columns of a table beside the clone; it skips loudly without.
func sharedColumns(t *testing.T, name string, columns ...string) [][]string {
	t.Helper()
	f, err := os.Open("../../shared/" + name)
	if err != nil {
		t.Skip("SKIPPED: no shared reference data: " + name)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for _, r := range rows[1:] {
		var vs []string
		for _, c := range columns {
			vs = append(vs, r[slices.Index(rows[0], c)])
		}
		out = append(out, vs)
	}
	return out
}

// lawOf is the law of a joint whose pulls turned so, as turnLaw makes it of
// the pulls of one job.
func lawOf(turns []float64) turnLaw {
	var logs []float64
	for _, x := range turns {
		logs = append(logs, math.Log(x+turnFloor))
	}
	slices.Sort(logs)
	l := turnLaw{n: len(logs), power: assumedRoot, middle: logs[len(logs)/2], lowest: logs[0], most: logs[len(logs)-1]}
	n := madWorth * float64(l.n)
	s := robustSpread(logs, l.middle)
	l.spread = s
	l.sd = math.Sqrt((assumedDF*assumedSD*assumedSD + n*s*s) / (assumedDF + n))
	l.sd *= math.Sqrt(1 + math.Pi/2/float64(l.n))
	return l
}

// Real tightenings (screw-tightening-wear: N. West, J. Deuse, DOI
// 10.5281/zenodo.14729547, CC BY 4.0): the final rotations of the two screws of
// a housing, 25 times each. Of the station's good runs hardly one may be said
// to turn too much or too little; of those that used up their angle without
// torque, most turn more than the usual.
func TestOddTurnOnStationRuns(t *testing.T) {
	rows := sharedColumns(t, "datasets/screw-tightening-wear/runs.csv", "workpiece", "result", "nok_kind", "final_angle_deg")
	good := map[string][]float64{}
	for _, r := range rows {
		if x, err := strconv.ParseFloat(r[3], 64); err == nil && r[1] == "OK" {
			good[r[0]] = append(good[r[0]], x)
		}
	}
	all, much, little, alone, below, groups := 0, 0, 0, 0, 0, 0
	for _, turns := range good {
		if len(turns) < 12 {
			continue
		}
		l := lawOf(turns)
		for at := 0; at+12 <= len(turns); at += 12 { // as a joint of twelve fasteners
			groups++
			for i, x := range turns[at : at+12] {
				rest := slices.Delete(slices.Clone(turns[at:at+12]), i, i+1)
				if o := lawOf(rest); o.alone(x) && x-o.usual() >= oddDegrees {
					alone++
				}
				if o := lawOf(rest); o.aloneBelow(x) {
					below++
				}
			}
		}
		for _, x := range turns {
			all++
			if l.off(x) >= oddDeviations && l.times(x) >= oddMuch {
				much++
			}
			if l.little(x) {
				little++
			}
		}
	}
	var used, told int
	for _, r := range rows {
		if r[2] != "final-angle-limit-torque-low" && r[2] != "final-angle-limit-torque-low-of-target" {
			continue
		}
		x, err := strconv.ParseFloat(r[3], 64)
		if err != nil || len(good[r[0]]) < 12 {
			continue
		}
		used++
		if l := lawOf(good[r[0]]); l.times(x) >= oddMuchLow {
			told++
		}
	}
	t.Logf("of %d good runs %d turn much too far and %d much too little; of %d that used up their angle without torque %d are told", all, much, little, used, told)
	if all < 1500 || much > all/200 || little > 0 {
		t.Errorf("of %d good runs %d turn much too far and %d much too little", all, much, little)
	}
	t.Logf("of %d groups of twelve good runs %d hold one that lies far above the others, %d one below", groups, alone, below)
	if below*50 > groups {
		t.Errorf("of %d groups of twelve good runs %d hold one that lies far below the others", groups, below)
	}
	if groups < 100 || alone > 0 {
		t.Errorf("of %d groups of twelve good runs %d hold one that lies far above the others", groups, alone)
	}
	if used == 0 || told*2 < used {
		t.Errorf("of %d runs that used up their angle without torque only %d are told", used, told)
	}
}

// joint.csv: a hard joint takes at most 27 degrees from a tenth of the torque to
// all of it (J27), a soft one 324 (J29), both ISO 5393, remembered. What is
// assumed of a joint that nobody has seen must lie between, and reach both.
func TestUntaughtJointLiesBetweenHardAndSoft(t *testing.T) {
	value := map[string]string{}
	for _, r := range sharedColumns(t, "reference/joint.csv", "id", "value") {
		value[r[0]] = r[1]
	}
	if value["J27"] != "<= 27" || value["J29"] != ">= 324" {
		t.Fatalf("joint.csv says %q and %q", value["J27"], value["J29"])
	}
	p := match.Default()
	if middle := math.Sqrt(27 * 324); math.Abs(p.UntaughtDeg/middle-1) > 0.01 {
		t.Errorf("untaught joints turn %g°, the middle of hard and soft is %g°", p.UntaughtDeg, middle)
	}
	if lo, hi := p.UntaughtDeg*math.Exp(-p.UntaughtRange), p.UntaughtDeg*math.Exp(p.UntaughtRange); lo > 27 || hi < 324 {
		t.Errorf("untaught joints turn %g° to %g°, which leaves out hard or soft ones", lo, hi)
	}
	// A joint of either kind gets a law of its own from five pulls.
	for _, deg := range []float64{27, 324} {
		l := lawOf([]float64{deg * 0.9, deg, deg * 1.1, deg * 0.95, deg * 1.05})
		if math.Abs(l.usual()/deg-1) > 0.06 || l.off(deg*1.3) >= oddDeviations || l.times(deg*2.5) < oddMuch || !(l.off(deg*2.5) >= oddDeviations) {
			t.Errorf("at %g°: usual %g°, 1.3 times is %.1f off, 2.5 times %.1f", deg, l.usual(), l.off(deg*1.3), l.off(deg*2.5))
		}
	}
}
