package fit

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// NIST StRD Norris, certified values to the printed 15 digits; QR in double
// precision is asked for 11 of them.
func TestNorrisAgainstCertifiedValues(t *testing.T) {
	y, x := column(t, "data_strd_norris.csv", 0), column(t, "data_strd_norris.csv", 1)
	f, err := Poly(x, y, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		id  string
		got float64
		tol float64
	}{
		{"Q117", f.Coef[0], 1e-11}, {"Q118", f.UCoef(0), 1e-11}, {"Q119", f.Coef[1], 1e-13}, {"Q120", f.UCoef(1), 1e-11},
		{"Q121", f.S, 1e-11}, {"Q122", f.R2, 1e-14},
		{"Q123", math.Pow(f.Coef[1]/f.UCoef(1), 2), 1e-10}, // F of a line is t² of its slope
	} {
		want := row(t, "spc.csv", c.id)
		if math.Abs(c.got-want) > c.tol*math.Abs(want) {
			t.Errorf("%s: %.16g, want %.16g", c.id, c.got, want)
		}
	}
}

// The same line from an independent library: gonum/stat.
func TestLineAgainstGonumStat(t *testing.T) {
	y, x := column(t, "data_strd_norris.csv", 0), column(t, "data_strd_norris.csv", 1)
	f, err := Poly(x, y, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	if math.Abs(f.Coef[0]-a) > 1e-9 || math.Abs(f.Coef[1]-b) > 1e-12 {
		t.Errorf("line %v %v, gonum/stat %v %v", f.Coef[0], f.Coef[1], a, b)
	}
	if r2 := stat.RSquared(x, y, nil, a, b); math.Abs(f.R2-r2) > 1e-12 {
		t.Errorf("R² %v, gonum/stat %v", f.R2, r2)
	}
}

// NIST e-Handbook 2.3.6.5, load cell.
func TestLoadCell(t *testing.T) {
	x, y := column(t, "data_nist_load_cell.csv", 0), column(t, "data_nist_load_cell.csv", 1)
	f, err := Poly(x, y, 0, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "spc.csv", "Q129", f.Coef[0])
	printed(t, "spc.csv", "Q130", f.Coef[1])
	printed(t, "spc.csv", "Q131", f.Coef[2])
	printed(t, "spc.csv", "Q132", f.S)
}

// JCGM 100 (GUM) H.3: a thermometer's calibration line, and a prediction.
func TestThermometer(t *testing.T) {
	x, y := column(t, "data_gum_h3.csv", 1), column(t, "data_gum_h3.csv", 2)
	for i := range x {
		x[i] -= 20
	}
	f, err := Poly(x, y, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "spc.csv", "Q133", f.Coef[0])
	printed(t, "spc.csv", "Q134", f.UCoef(0))
	printed(t, "spc.csv", "Q135", f.Coef[1])
	printed(t, "spc.csv", "Q136", f.UCoef(1))
	printed(t, "spc.csv", "Q137", f.Corr(0, 1))
	printed(t, "spc.csv", "Q138", f.S)
	printed(t, "spc.csv", "Q139", f.At(10))
	printed(t, "spc.csv", "Q140", f.UMean(10))
}

// The line through the ascending points of the torque arm, and how far the
// descending points lie above it: the dataset's README, to its digits.
func TestTorqueArm(t *testing.T) {
	direction := text(t, "../datasets/calibration-lines/torque-arm.csv", 0)
	x, y := column(t, "../datasets/calibration-lines/torque-arm.csv", 4), column(t, "../datasets/calibration-lines/torque-arm.csv", 6)
	var up, uy, down, dy []float64
	for i := range x {
		if direction[i] == "ascending" {
			up, uy = append(up, x[i]), append(uy, y[i])
		} else {
			down, dy = append(down, x[i]), append(dy, y[i])
		}
	}
	f, err := Poly(up, uy, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	above := 0.0
	for i := range down {
		above = max(above, f.At(down[i])-dy[i], dy[i]-f.At(down[i]))
	}
	near(t, "slope", f.Coef[1], 123791, 0.5)
	near(t, "constant", f.Coef[0], -2.845, 0.0005)
	near(t, "residual sd", f.S, 0.80, 0.005)
	near(t, "hysteresis", above, 3.6, 0.05)
}

func TestWhatCannotBeFitted(t *testing.T) {
	if _, err := Poly([]float64{1, 2}, []float64{1, 2}, 0, 1); !errors.Is(err, ErrTooFew) {
		t.Errorf("two readings for a line: %v", err)
	}
	if _, err := Poly([]float64{3, 3, 3, 3}, []float64{1, 2, 3, 4}, 0, 1); !errors.Is(err, ErrSingular) {
		t.Errorf("one place: %v", err)
	}
	if _, err := Poly([]float64{0, 0, 0}, []float64{1, 2, 3}, 1); !errors.Is(err, ErrSingular) {
		t.Errorf("nothing but zero: %v", err)
	}
	if _, err := Poly([]float64{1, 2, 3}, []float64{1, math.NaN(), 3}, 0, 1); err == nil {
		t.Error("a reading that is no number was fitted")
	}
	if _, err := Poly([]float64{1, 2}, []float64{1}, 0); err == nil {
		t.Error("unequal numbers were fitted")
	}
}

// Student's factors: t 2.776 for 95 % and 4 degrees of freedom, 2.131847 as in
// interval.csv C15; the normal quantile 1.959964.
func TestStudent(t *testing.T) {
	near(t, "t(0.975, 4)", Student(0.975, 4), 2.776445, 5e-7)
	near(t, "t(0.95, 4)", Fit{DF: 4}.T(0.9), 2.131847, 5e-7)
	near(t, "normal", Student(0.975, math.Inf(1)), 1.959964, 5e-7)
}
