package capability

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/rules/calibration"
	"witnessmark/rules/drift"
)

func indices(t *testing.T, mean, s, df, lo, hi float64) Indices {
	t.Helper()
	i, err := Of(mean, s, df, calibration.Limits{Lower: lo, Upper: hi}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// Montgomery's piston rings, as an independent program prints them.
func TestPistonRings(t *testing.T) {
	sample, x := column(t, "data_pistonrings.csv", 0), column(t, "data_pistonrings.csv", 1)
	groups := make([][]float64, 25)
	for i := range x {
		if k := int(sample[i]) - 1; k < 25 {
			groups[k] = append(groups[k], x[i])
		}
	}
	p, within, err := drift.BySubgroups(groups)
	if err != nil {
		t.Fatal(err)
	}
	i := indices(t, p.Centre, within, 124, 73.95, 74.05)
	for id, v := range map[string]float64{"Q021": i.Cp, "Q022": i.CpkL, "Q023": i.CpkU, "Q024": i.Cpk, "Q026": Cpm(p.Centre, within, 74.02, calibration.Limits{Lower: 73.95, Upper: 74.05})} {
		printed(t, "spc.csv", id, v)
	}
	// The interval takes n − 1 = 124 degrees of freedom although s comes from ranges.
	lo, hi, _ := strings.Cut(cell(t, "spc.csv", "Q025"), " to ")
	near(t, "Q025 lower", i.CpLower, number(t, lo), 0.0005)
	near(t, "Q025 upper", i.CpUpper, number(t, hi), 0.0005)
}

// Q029 to Q031 are memory rows of the e-Handbook 6.1.6; Q032 to Q037 are found.
func TestHandbookAndTails(t *testing.T) {
	i := indices(t, 16, 2, 0, 8, 20)
	printed(t, "spc.csv", "Q029", i.Cp)
	printed(t, "spc.csv", "Q030", i.Cpk)
	printed(t, "spc.csv", "Q031", Cpm(16, 2, 14, calibration.Limits{Lower: 8, Upper: 20}))
	for mean, ids := range map[float64][2]string{10: {"Q032", "Q033"}, 10.5: {"Q034", "Q035"}, 12: {"Q036", "Q037"}} {
		i := indices(t, mean, 0.4, 0, 9, 11)
		printed(t, "spc.csv", ids[0], i.Cpk)
		printed(t, "spc.csv", ids[1], i.Outside)
	}
	if i := indices(t, 10, 1, 9, math.Inf(-1), 12); !math.IsNaN(i.Cp) || math.Abs(i.Cpk-2.0/3) > 1e-12 {
		t.Errorf("one limit: %+v", i)
	}
}

func TestToleranceFactors(t *testing.T) {
	k := Tolerance{N: 43, Share: 0.90, Confidence: 0.99}
	howe, err := k.Howe()
	if err != nil {
		t.Fatal(err)
	}
	natrella, _ := k.Natrella()
	one, _ := k.OneSided()
	two, _ := k.TwoSided()
	printed(t, "spc.csv", "Q111", howe)
	printed(t, "spc.csv", "Q112", natrella)
	printed(t, "spc.csv", "Q115", one)
	printed(t, "spc.csv", "Q116", two)
	// The printed limits take the printed mean 97.07, s 0.0268 and factors 2.2173 and
	// 1.8752.
	printed(t, "spc.csv", "Q113", 97.07-2.2173*0.0268, 97.07+2.2173*0.0268)
	printed(t, "spc.csv", "Q114", 97.07-1.8752*0.0268, 97.07+1.8752*0.0268)
	if _, err := (Tolerance{N: 1, Share: 0.9, Confidence: 0.9}).OneSided(); err == nil {
		t.Error("one reading")
	}
}

// NIST e-Handbook 7.2.6.3 and 2.2.2: the check standard's mean, sd and pooled
// short-term sd.
func TestCheckStandard(t *testing.T) {
	x, s, df := column(t, "data_nist_check_standard_137.csv", 7), column(t, "data_nist_check_standard_137.csv", 8), column(t, "data_nist_check_standard_137.csv", 9)
	printed(t, "spc.csv", "Q108", stat.Mean(x, nil))
	printed(t, "spc.csv", "Q109", stat.StdDev(x, nil))
	ss, n := 0.0, 0.0
	for i := range s {
		ss, n = ss+df[i]*s[i]*s[i], n+df[i]
	}
	printed(t, "spc.csv", "Q110", math.Sqrt(ss/n))
}

// Between two independent libraries: the exact one-sided factor with share 0.5 is
// Student's quantile over √n.
func TestOneSidedAgainstStudent(t *testing.T) {
	k, err := Tolerance{N: 10, Share: 0.5, Confidence: 0.95}.OneSided()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", k, distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 9}.Quantile(0.95)/math.Sqrt(10), 1e-8)
}

func TestBadCapability(t *testing.T) {
	for _, c := range [][3]float64{{0, 1, 2}, {1, 2, 1}, {math.NaN(), 1, 2}, {1, math.NaN(), 2}} {
		if _, err := Of(1, c[0], 5, calibration.Limits{Lower: c[1], Upper: c[2]}, 0.95); err == nil {
			t.Errorf("%v passes", c)
		}
	}
}
