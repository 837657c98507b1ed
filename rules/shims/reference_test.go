package shims

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"witnessmark/events/quantity"
)

func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "shared", "reference", name))
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data (%s): %v", name, err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// data_selective_shim.csv: US Army TM 9-2320-303-24-2, seven bands of the
// measured gap, each with its shim, 0.270 mm apart. A shim as thick as the
// middle of its band less a clearance gives the same choice over the whole
// table, in steps of 1 µm; the clearance does not matter to it.
func TestSelectiveShimTable(t *testing.T) {
	rows := table(t, "data_selective_shim.csv")
	const clearance = 0.5
	var drawer []Leaf
	for _, r := range rows {
		mid := (num(t, r["gap_min_mm"]) + num(t, r["gap_max_mm"])) / 2
		drawer = append(drawer, leaf(math.Round((mid-clearance)*1e4)/1e4, 1))
	}
	n := 0
	for i, r := range rows {
		lo, hi := num(t, r["gap_min_mm"]), num(t, r["gap_max_mm"])
		for gap := lo; gap <= hi+1e-9; gap += 0.001 {
			c, err := Choose(drawer, Task{Measured: quantity.Millimetres(gap), Target: length1(clearance), Low: length1(0.3), High: length1(0.7), Most: 1})
			if err != nil || c.Best == nil || nm(c.Best.Pieces[0].Thickness) != nm(drawer[i].Thickness) {
				t.Fatalf("gap %.3f mm: %s, %v; the table says %s", gap, names(c.Best), err, r["shim"])
			}
			n++
		}
	}
	if n < 1800 {
		t.Fatalf("only %d gaps tried", n)
	}
	// geometry.csv G23 and G25: F = D − E, G = C − F; 30.000 − (28.750 − 4.000) = 5.250: 3 notches.
	gap := 30.000 - (28.750 - 4.000)
	if c, err := Choose(drawer, Task{Measured: quantity.Millimetres(gap), Target: length1(clearance), Low: length1(0.3), High: length1(0.7), Most: 1}); err != nil || nm(c.Best.Pieces[0].Thickness) != nm(drawer[2].Thickness) {
		t.Errorf("gap %.3f mm: %s, %v; the table says 3 notches", gap, names(c.Best), err)
	}
}

// geometry.csv G22: US Army TM 10-3930-659-34, end play of an output shaft is
// the difference of two depths, 0.305 to 0.508 mm. With a play of 1.40 mm the
// shim must be 0.892 to 1.095 mm (by hand).
func TestEndPlayByTheManual(t *testing.T) {
	g := row(t, "G22")
	if g["value"] != "0.305 to 0.508" && g["inputs"] == "" {
		t.Fatalf("row G22 has changed: %v", g)
	}
	task := Task{Measured: quantity.Millimetres(1.40), Low: length1(0.305), High: length1(0.508), Most: 2}
	c, err := Choose([]Leaf{leaf(0.85, 2), leaf(1.0, 2), leaf(1.10, 2)}, task)
	if err != nil || names(c.Best) != "1.00 mm" || math.Abs(c.NeedLow.Millimetres()-0.892) > 1e-9 || math.Abs(c.NeedHigh.Millimetres()-1.095) > 1e-9 {
		t.Errorf("%s, %v: %+v", names(c.Best), err, c)
	}
}

func row(t *testing.T, id string) map[string]string {
	t.Helper()
	for _, r := range table(t, "geometry.csv") {
		if r["id"] == id {
			return r
		}
	}
	t.Fatalf("geometry.csv has no row %s", id)
	return nil
}

// geometry.csv G26 and G27: US Army TM 5-3895-369-14, Table 5-4, with its
// corner cells: old +4 to new −4 is −0.008 in, and back.
func TestPinionMarks(t *testing.T) {
	thou := quantity.Inches(0.001)
	for _, c := range []struct {
		was, is int
		want    float64
	}{{2, -1, num(t, row(t, "G27")["value"])}, {4, -4, -0.008}, {-4, 4, 0.008}, {3, 3, 0}} {
		got, err := PinionChange(c.was, c.is, thou)
		if err != nil || math.Abs(got.Millimetres()/25.4-c.want) > 1e-7 {
			t.Errorf("%+d to %+d: %.5f in, %v; want %.3f in", c.was, c.is, got.Millimetres()/25.4, err, c.want)
		}
	}
	// G28: Datsun 521 service manual, page PD-10: T = N − 0.01·H − 0.20 mm. As a
	// task: gap N, wanted clearance 0.20 and 0.01 for each mark: 0.50, +2: 0.28.
	want := num(t, row(t, "G28")["value"])
	c, err := Choose([]Leaf{leaf(0.26, 1), leaf(0.28, 1), leaf(0.30, 1)}, Task{Measured: quantity.Millimetres(0.50), Target: length1(0.20 + 0.01*2), Low: length1(0.215), High: length1(0.225), Most: 1})
	if err != nil || math.Abs(c.Need.Millimetres()-want) > 1e-9 || names(c.Best) != "0.28 mm" {
		t.Errorf("%s, need %.3f, %v", names(c.Best), c.Need.Millimetres(), err)
	}
	if _, err := PinionChange(0, 1, quantity.Millimetres(-1)); err == nil {
		t.Error("a negative unit is taken")
	}
}

// geometry.csv G29: a total preload that is too high wants thinner side shims,
// the same amount on each side (2014 vehicle repair manual). By stiffness: with
// more force wanted, the chosen stack is thicker, and by the same on both sides
// the total changes while the part does not move.
func TestPreloadGoesWithThickness(t *testing.T) {
	_ = row(t, "G29")
	var drawer []Leaf
	for i := range 40 {
		drawer = append(drawer, leaf(0.50+0.01*float64(i), 1))
	}
	last := 0.0
	for _, kn := range []float64{2, 4, 6, 8} {
		c, err := Choose(drawer, Task{
			Measured: quantity.Millimetres(0.52), Sense: Preloads, Stiffness: quantity.NewtonsPerMillimetre(80000),
			Target: quantity.Newtons(kn * 1000).Value(), Low: quantity.Newtons(kn*1000 - 500).Value(), High: quantity.Newtons(kn*1000 + 500).Value(), Most: 1,
		})
		if err != nil || c.Best == nil || !(c.Best.Sum.Millimetres() > last) || math.Abs(c.Best.Result.Base()-kn*1000) > 500 {
			t.Fatalf("%g kN: %s, %v", kn, names(c.Best), err)
		}
		last = c.Best.Sum.Millimetres()
	}
}
