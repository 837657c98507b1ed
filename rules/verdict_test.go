package rules

import (
	"encoding/csv"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// shared opens a file of the reference data beside the repository.
func shared(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "shared", name))
	if errors.Is(err, fs.ErrNotExist) {
		t.Skipf("SKIPPED: no shared reference data: %s", name)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func nm(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }

// Worked cases D10 to D14 of the reference table on decision rules (guard band
// after ILAC-G8:09/2019, acceptance limit = tolerance limit - w): 100 ± 4 N·m,
// U = 1.0 N·m, w = U. "Reject (inside tolerance)" is our doubtful.
func TestGuardBandWorkedCases(t *testing.T) {
	l := limits{nm(96), nm(100), nm(104), quantity.NewtonMetre}
	n := 0
	for _, row := range shared(t, "reference/decision.csv") {
		_, y, ok := strings.Cut(row[2], "y=")
		if row[1] != "worked case" || !ok {
			continue
		}
		v, err := strconv.ParseFloat(y, 64)
		if err != nil {
			t.Fatal(err)
		}
		_, decision, _ := strings.Cut(row[4], "; ")
		want := map[string]events.Verdict{"accept": events.Within, "reject (inside tolerance)": events.Doubtful}[decision]
		if want == "" && v < 96 {
			want = events.Low
		}
		if got := l.judge(nm(v), 1.0); got != want {
			t.Errorf("%s: %v N·m is %s, want %s (%s)", row[0], v, got, want, decision)
		}
		n++
	}
	if n != 4 {
		t.Errorf("found %d worked cases, want 4", n)
	}
	// D10: the acceptance interval is 97.0 to 103.0.
	for v, want := range map[float64]events.Verdict{97: events.Within, 96.99: events.Doubtful, 103: events.Within, 103.01: events.Doubtful} {
		if got := l.judge(nm(v), 1.0); got != want {
			t.Errorf("%v N·m is %s, want %s", v, got, want)
		}
	}
}

// Every range of FAA AC 43.13-1B, Table 7-1: its ends are inside, a printed
// unit beyond them is outside, in lbf·in and converted to N·m.
func TestHandbookRanges(t *testing.T) {
	rows := shared(t, "reference/torque_tables.csv")[1:]
	if len(rows) != 20 {
		t.Errorf("found %d rows, want 20", len(rows))
	}
	for _, row := range rows {
		for _, c := range []int{3, 5} { // tension and shear nuts
			lo, err1 := strconv.ParseFloat(row[c], 64)
			hi, err2 := strconv.ParseFloat(row[c+1], 64)
			if err1 != nil || err2 != nil {
				t.Fatalf("%s: %v %v", row[0], err1, err2)
			}
			of := func(v float64) quantity.Value { return quantity.Of(v, quantity.PoundInch) }
			l := limits{lsl: of(lo), usl: of(hi), unit: quantity.PoundInch}
			for v, want := range map[float64]events.Verdict{lo: events.Within, hi: events.Within, (lo + hi) / 2: events.Within, lo - 1: events.Low, hi + 1: events.High} {
				if got := l.judge(of(v), 0); got != want {
					t.Errorf("%s: %v lbf·in is %s, want %s", row[0], v, got, want)
				}
				in := of(v).In(quantity.NewtonMetre)
				if got := l.judge(nm(in), 0); got != want {
					t.Errorf("%s: %v N·m is %s, want %s", row[0], in, got, want)
				}
			}
		}
	}
}

// Every pair of torque units in the reference table: the number that is right
// in the one unit, sent in the other, is found out, unless the limits read in
// the two overlap. Factors are those of the table, not the program's.
func TestUnitSlipEveryPair(t *testing.T) {
	factor := map[string]float64{"N*m": 1}
	for _, row := range shared(t, "reference/units.csv") {
		if row[2] == "N*m" && row[4] == "yes" {
			f, err := strconv.ParseFloat(row[3], 64)
			if err != nil {
				t.Fatal(err)
			}
			factor[row[1]] = f
		}
	}
	pairs := 0
	for right, fr := range factor {
		for wrong, fw := range factor {
			ru, ok1 := quantity.UnitByCode(strings.ReplaceAll(right, "*", "."))
			wu, ok2 := quantity.UnitByCode(strings.ReplaceAll(wrong, "*", "."))
			if !ok1 || !ok2 {
				t.Fatalf("no unit %q or %q", right, wrong)
			}
			if right == wrong {
				continue
			}
			pairs++
			l := limits{nm(24.7 * fr), nm(26 * fr), nm(27.3 * fr), ru}
			meant, ok := l.slip(nm(26*fw), wu.Code())
			if apart := fw/fr > 27.3/24.7 || fw/fr < 24.7/27.3; ok != apart || ok && meant != ru {
				t.Errorf("26 %s where 26 %s was due: slip %t, meant %s", wrong, right, ok, meant.Code())
			}
		}
	}
	if pairs != 56 {
		t.Errorf("tried %d pairs, want 56 of 8 units", pairs)
	}
}

// Real tightenings (West, Deuse, "Screw Driving Dataset - s01", CC BY 4.0, DOI
// 10.5281/zenodo.14729547): the station's program accepts 1.2 to 1.6 N·m and
// at most 34° in its final step. What it called OK is within; what it called
// too high in the final step is high.
func TestRealTightenings(t *testing.T) {
	rows := shared(t, "datasets/screw-tightening-wear/runs.csv")
	torque := limits{nm(1.2), nm(1.4), nm(1.6), quantity.NewtonMetre}
	angle := limits{usl: quantity.Degrees(34).Value()}
	ok, high := 0, 0
	for _, row := range rows[1:] {
		peak, err := strconv.ParseFloat(row[9], 64)
		if err != nil {
			continue // never seated
		}
		turned, _ := strconv.ParseFloat(row[12], 64)
		got := torque.judge(nm(peak), 0)
		switch {
		case row[5] == "OK":
			ok++
			if got != events.Within || angle.judge(quantity.Degrees(turned).Value(), 0) != events.Within {
				t.Errorf("run %s: OK, but %v N·m is %s after %v°", row[0], peak, got, turned)
			}
		case row[6] == "final-torque-high":
			high++
			if got != events.High {
				t.Errorf("run %s: too high, but %v N·m is %s", row[0], peak, got)
			}
		}
	}
	t.Logf("%d OK, %d too high", ok, high)
	if ok < 2000 {
		t.Errorf("found %d OK runs, want 2,022", ok)
	}
}

func TestJudgeNoNumber(t *testing.T) {
	l := limits{nm(1), nm(2), nm(3), quantity.NewtonMetre}
	for _, v := range []float64{math.NaN(), math.Inf(-1)} {
		if got := l.judge(nm(v), 0.1); got != events.Low {
			t.Errorf("%v is %s, want low", v, got)
		}
	}
	if got := l.judge(nm(math.Inf(1)), 0.1); got != events.High {
		t.Errorf("+Inf is %s, want high", got)
	}
	if got := (limits{lsl: nm(math.NaN()), usl: nm(3)}).judge(nm(2), 0); got != events.Low {
		t.Errorf("against a limit that is no number: %s, want low", got)
	}
}

// The root of the sum of squares: 3 % of 100 and 4 make 5 (by hand).
func TestUncertainty(t *testing.T) {
	tool := events.Tool{URel: 0.03, UAbs: nm(4)}
	if got := uncertainty(tool, nm(100)); got != nm(5) {
		t.Errorf("got %v, want 5 N·m", got)
	}
	if got := uncertainty(tool, quantity.Millimetres(100).Value()); got != quantity.Millimetres(3).Value() {
		t.Errorf("got %v, want 3 mm: the absolute part is of another kind", got)
	}
}
