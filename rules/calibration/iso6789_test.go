package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/events/quantity"
)

func quantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

func nm(v float64) quantity.Torque { return quantity.NewtonMetres(v) }

// iso6789.csv I22 to I25: the reference stands below the line.
func TestDeviationDividesByTheReference(t *testing.T) {
	for id, x := range map[string][2]float64{"I22": {100, 96}, "I23": {100, 104}, "I24": {100, 98.5}, "I25": {40, 39.2}} {
		printedIn(t, "iso6789.csv", id, Deviation(nm(x[0]), nm(x[1])))
	}
	if (Rule{Kind: Simple}).Decide(Deviation(nm(100), nm(96)), 0, Symmetric(4)).Accept {
		t.Error("100 against 96 N·m is +4.17 % and must fail at 4 %")
	}
}

// printedIn is printed for tables whose value column need not be a number.
func printedIn(t *testing.T, name, id string, got float64) {
	t.Helper()
	want := cell(t, name, id)
	near(t, name+" "+id, got, number(t, want), 0.501*lastDigit(want))
}

// iso6789.csv I13 to I20: memory rows; the split of 4 % and 6 % was seen in
// print.
func TestMaxDeviationByClassMemoryRows(t *testing.T) {
	for _, c := range []struct {
		class    string
		ids      [2]string // up to 10 N·m, above
		expected [2]float64
	}{
		{"IA", [2]string{"I13", "I14"}, [2]float64{6, 6}}, {"ID", [2]string{"I13", "I14"}, [2]float64{6, 6}},
		{"IB", [2]string{"I15", "I16"}, [2]float64{6, 4}}, {"IC", [2]string{"I15", "I16"}, [2]float64{6, 4}}, {"IE", [2]string{"I15", "I16"}, [2]float64{6, 4}},
		{"IIA", [2]string{"I17", "I18"}, [2]float64{6, 4}}, {"IIB", [2]string{"I17", "I18"}, [2]float64{6, 4}}, {"IIC", [2]string{"I17", "I18"}, [2]float64{6, 4}},
		{"IID", [2]string{"I19", "I20"}, [2]float64{6, 6}}, {"IIE", [2]string{"I19", "I20"}, [2]float64{6, 6}}, {"IIF", [2]string{"I19", "I20"}, [2]float64{6, 6}}, {"IIG", [2]string{"I19", "I20"}, [2]float64{6, 6}},
	} {
		k, err := ParseClass(c.class)
		if err != nil {
			t.Fatal(err)
		}
		for i, capacity := range []float64{10, 10.5} {
			got := k.MaxDeviation(nm(capacity))
			if text := cell(t, "iso6789.csv", c.ids[i]); got != c.expected[i] || text != "+/-"+string(rune('0'+int(got))) {
				t.Errorf("%s at %v N·m: %v, table %s", c.class, capacity, got, text)
			}
		}
	}
}

// iso6789.csv I26 (memory, with printed summaries of the 2017 edition that
// agree): lowest value of the range, not 20 % as in the 2003 edition (I27).
func TestLowestPointIsTheLowestValueOfTheRange(t *testing.T) {
	k := Class{1, 'C'}
	got := k.Points(nm(10), nm(200))
	want := []float64{10, 120, 200}
	for i := range want {
		near(t, "point", got[i].NewtonMetres(), want[i], 1e-9)
	}
	if got := k.Points(nm(150), nm(200)); len(got) != 2 {
		t.Errorf("60 %% lies below the range of 150 to 200: %v", got)
	}
	if got := (Class{2, 'B'}).Points(nm(25), nm(25)); len(got) != 1 || got[0] != nm(25) {
		t.Errorf("a fixed wrench has one point: %v", got)
	}
}

// iso6789.csv I28 to I32: memory rows.
func TestReadingsAndPreloadsMemoryRows(t *testing.T) {
	for class, want := range map[string][2]float64{"IA": {row(t, "iso6789.csv", "I28"), row(t, "iso6789.csv", "I31")},
		"IIA": {row(t, "iso6789.csv", "I29"), row(t, "iso6789.csv", "I32")}, "IIG": {row(t, "iso6789.csv", "I29"), row(t, "iso6789.csv", "I32")},
		"IIC": {row(t, "iso6789.csv", "I30"), row(t, "iso6789.csv", "I32")}, "IIF": {row(t, "iso6789.csv", "I30"), row(t, "iso6789.csv", "I32")}} {
		k, err := ParseClass(class)
		if err != nil {
			t.Fatal(err)
		}
		if k.Readings() != int(want[0]) || k.Preloads() != int(want[1]) {
			t.Errorf("%s: %d readings after %d preloads, want %v", class, k.Readings(), k.Preloads(), want)
		}
	}
}

func TestParseClass(t *testing.T) {
	for _, s := range []string{"I C", "ic", "1C", "type I class C", "1-c"} {
		if k, err := ParseClass(s); err != nil || k != (Class{1, 'C'}) {
			t.Errorf("%q: %v, %v", s, k, err)
		}
	}
	for _, s := range []string{"", "I", "I F", "III A", "II H"} {
		if k, err := ParseClass(s); err == nil {
			t.Errorf("%q: %v", s, k)
		}
	}
	if got := (Class{2, 'A'}).String(); got != "type II class A" {
		t.Error(got)
	}
}

// JCGM 100 (GUM) H.1, the end gauge (from memory, text not retrieved): the
// components 25 nm (18 degrees of freedom), 9.7 (25.6), 2.9 (50), 16.6 (2) give
// 32 nm with 16 effective degrees of freedom, and U99 = 2.92 · 32 = 93 nm.
func TestEffectiveDegreesOfFreedomOfTheEndGaugeFromMemory(t *testing.T) {
	b := Budget{Unit: "nm", K: 2, Components: []Component{
		{Stated: 25, Divisor: 1, Weight: 1, DF: 18}, {Stated: 9.7, Divisor: 1, Weight: 1, DF: 25.6},
		{Stated: 2.9, Divisor: 1, Weight: 1, DF: 50}, {Stated: 16.6, Divisor: 1, Weight: 1, DF: 2},
	}}
	near(t, "u", b.Combined(), 32, 0.5)
	if got := math.Floor(b.EffectiveDF()); got != 16 {
		t.Errorf("%v effective degrees of freedom", b.EffectiveDF())
	}
	near(t, "k for 99 %", b.Coverage(0.99), 2.92, 0.005)
	near(t, "U99", b.Coverage(0.99)*32, 93, 0.5)
}

// By hand: U 0.5 % (k 2) is 0.25; steps of 0.1 in 20 N·m, 0.5 %, half 0.25, over
// √3 0.14434; deviations 1, 2, 3 have s 1 and 1/√3 = 0.57735; a span of 0.6 has
// half 0.3 and 0.17321.
func TestToolBudgetByHand(t *testing.T) {
	b, err := ToolBudget(0.5, 0.5, []float64{1, 2, 3}, Influences{Interface: 0.6})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.25, 0.144338, 0.577350, 0, 0.173205, 0, 0} {
		near(t, b.Components[i].Name, b.Components[i].U(), want, 5e-7)
	}
	near(t, "u", b.Combined(), math.Sqrt(0.0625+0.0208333+0.3333333+0.03), 1e-6)
	near(t, "U", b.Expanded(), 2*b.Combined(), 0)
	near(t, "effective degrees of freedom", b.EffectiveDF(), math.Pow(b.Combined(), 4)/(math.Pow(0.577350, 4)/2), 1e-4)
	sum := 0.0
	for i := range b.Components {
		sum += b.Share(i)
	}
	near(t, "shares", sum, 1, 1e-12)
	if _, err := ToolBudget(0.5, 0.5, []float64{1}, Influences{}); err == nil {
		t.Error("a budget from one reading")
	}
}
