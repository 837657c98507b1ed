package gaugestudy

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

func study(t *testing.T, file string, part, appraiser, value int) []Reading {
	p, a, v := text(t, file, part), text(t, file, appraiser), column(t, file, value)
	var all []Reading
	for i := range v {
		all = append(all, Reading{p[i], a[i], v[i]})
	}
	return all
}

func aiag(t *testing.T) []Reading { return study(t, "data_aiag_grr.csv", 1, 0, 3) }

// The worked example of AIAG MSA 4th ed., by variance, interaction pooled.
func TestAIAGByVariancePooled(t *testing.T) {
	s, err := ByVariance(aiag(t), Pooling{Above: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	if !s.Pooled {
		t.Error("p = 0.974 was not pooled")
	}
	for i, id := range []string{"Q058", "Q059", "Q060", "Q061", "Q063", "Q062"} {
		printed(t, "spc.csv", id, s.Table[i].SS)
	}
	near(t, "df of the pooled error", s.Table[4].DF, 78, 0)
	for id, v := range map[string]float64{"Q064": s.Repeatability * s.Repeatability, "Q065": s.Reproducibility * s.Reproducibility, "Q066": s.Part * s.Part,
		"Q067": s.GRR * s.GRR, "Q068": float64(s.Distinct()), "Q070": s.PercentStudy()} {
		printed(t, "spc.csv", id, v)
	}
	printed(t, "spc.csv", "Q069", s.Table[2].F, s.Table[2].P)
}

// The same readings as another dataset has them: the sums of its README.
func TestAIAGDataset(t *testing.T) {
	s, err := ByVariance(study(t, "../datasets/gauge-studies/aiag-10x3x3.csv", 2, 0, 3), Pooling{Above: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{88.3619, 3.1673, 0.3590, 2.7589} {
		near(t, s.Table[i].Name, s.Table[i].SS, want, 0.00005)
	}
}

// spc.csv Q071: the interaction kept changes the answer, although its own
// component is negative and counts as 0.
func TestAIAGByVarianceKept(t *testing.T) {
	s, err := ByVariance(aiag(t), Pooling{Above: 1})
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "spc.csv", "Q071", s.Repeatability*s.Repeatability, s.Interaction*s.Interaction, s.Appraiser*s.Appraiser, s.Part*s.Part)
	near(t, "GRR %", s.PercentStudy(), 28.75, 0.005) // note of Q071
	if s.Distinct() != 4 || s.Pooled {
		t.Errorf("%d categories, pooled %v", s.Distinct(), s.Pooled)
	}
}

// The same readings by average and range: 5 categories here and 4 above, since
// the ranges estimate the scatter without the interaction's degrees of freedom
// and the number is cut, not rounded (5.09 and 4.86).
func TestAIAGByRange(t *testing.T) {
	s, err := ByRange(aiag(t))
	if err != nil {
		t.Fatal(err)
	}
	for id, v := range map[string]float64{"Q072": s.Ranges.MeanRange, "Q073": s.Ranges.AppraiserDiff, "Q074": s.Ranges.PartRange, "Q075": s.Repeatability,
		"Q076": s.Reproducibility, "Q077": s.GRR, "Q078": s.Part, "Q079": s.Total, "Q080": s.PercentStudy(), "Q081": float64(s.Distinct())} {
		printed(t, "spc.csv", id, v)
	}
}

// The 3 × 3 × 3 study of Cano et al. 2012. Its full table divides by the
// interaction (Q087, Q088), its components come from the pooled error (Q091 on).
func TestCano(t *testing.T) {
	readings := study(t, "data_crossed_grr_3x3x3.csv", 0, 1, 3)
	kept, err := ByVariance(readings, Pooling{Above: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i, id := range []string{"Q082", "Q083", "Q084", "Q085", "Q086"} {
		printed(t, "spc.csv", id, kept.Table[i].SS)
	}
	printed(t, "spc.csv", "Q087", kept.Table[0].F)
	printed(t, "spc.csv", "Q088", kept.Table[1].F)
	printed(t, "spc.csv", "Q089", kept.Table[2].F)
	printed(t, "spc.csv", "Q090", kept.Table[2].P)
	s, err := ByVariance(readings, Pooling{Above: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "df", s.Table[4].DF, 22, 0)
	sq := func(x float64) float64 { return x * x }
	for id, v := range map[string]float64{"Q091": s.Table[4].MS, "Q092": sq(s.GRR), "Q093": sq(s.Repeatability), "Q094": sq(s.Reproducibility), "Q095": sq(s.Part), "Q096": sq(s.Total),
		"Q097": s.PercentContribution(), "Q098": s.GRR, "Q099": s.Part, "Q100": s.Total, "Q101": s.PercentStudy(), "Q102": s.PercentTolerance(0.1), "Q103": float64(s.Distinct())} {
		printed(t, "spc.csv", id, v)
	}
}

// K2 and K3 are 1/√E(R²) of m normal values; E(R²) by integration over the
// joint density of the smallest and the largest.
func TestRangeConstantsAreWorkedOut(t *testing.T) {
	n := distuv.UnitNormal
	for i, k := range k23 {
		m := float64(i + 2)
		e := quad.Fixed(func(lo float64) float64 {
			return quad.Fixed(func(r float64) float64 {
				return r * r * m * (m - 1) * n.Prob(lo) * n.Prob(lo+r) * math.Pow(n.CDF(lo+r)-n.CDF(lo), m-2)
			}, 0, 12, 120, nil, 0)
		}, -9, 9, 120, nil, 0)
		near(t, "K for range of values", k, 1/math.Sqrt(e), 0.00006)
	}
}

// NIST e-Handbook 2.4.4: wafer 140.
func TestNestedWafer(t *testing.T) {
	run, mean, sd, df := column(t, "data_nist_nested_wafer140.csv", 0), column(t, "data_nist_nested_wafer140.csv", 7), column(t, "data_nist_nested_wafer140.csv", 8), column(t, "data_nist_nested_wafer140.csv", 9)
	runs := make([][]Group, 2)
	for i := range run {
		k := int(run[i]) - 1
		runs[k] = append(runs[k], Group{mean[i], sd[i], int(df[i]) + 1})
	}
	n, err := ByLevels(runs)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "spc.csv", "Q104", n.Level1[0], n.Level1[1], n.Pooled1)
	printed(t, "spc.csv", "Q105", n.Level2[0], n.Level2[1], n.Pooled2)
	printed(t, "spc.csv", "Q106", n.RunMeans[0], n.RunMeans[1])
	printed(t, "spc.csv", "Q107", n.Level3)
	// Level 2 is hardly above what six repeats leave of level 1, so a day adds
	// next to nothing of its own; 0.02742² is below 0.07871²/6.
	near(t, "day", n.Day, 0, 1e-12)
	if n.Run <= 0 {
		t.Error("runs differ by more than their days")
	}
}

// NIST StRD SiRstv, certified values.
func TestSiRstv(t *testing.T) {
	inst, v := text(t, "data_strd_sirstv.csv", 0), column(t, "data_strd_sirstv.csv", 1)
	var order []string
	at := map[string]int{}
	var values [][]float64
	for i := range v {
		k := index(&order, at, inst[i])
		if k == len(values) {
			values = append(values, nil)
		}
		values[k] = append(values[k], v[i])
	}
	var groups []Group
	for _, xs := range values {
		groups = append(groups, GroupOf(xs))
	}
	a, err := ByGroups(groups)
	if err != nil {
		t.Fatal(err)
	}
	for id, got := range map[string]float64{"Q124": a.SSBetween, "Q125": a.SSWithin, "Q126": a.F, "Q127": a.R2, "Q128": a.Within} {
		if want := row(t, "spc.csv", id); math.Abs(got-want) > 1e-10*want {
			t.Errorf("%s: %.15g, want %.15g", id, got, want)
		}
	}
}

// JCGM 100 (GUM) H.5: ten days of five readings. The printed F of 2.25 divides
// the rounded 57 and 85 µV; unrounded it is 2.2615.
func TestDailyMeans(t *testing.T) {
	mean, sd, n := column(t, "data_gum_h5.csv", 1), column(t, "data_gum_h5.csv", 2), column(t, "data_gum_h5.csv", 3)
	var groups []Group
	var means []float64
	for i := range mean {
		groups = append(groups, Group{mean[i], sd[i] * 1e-6, int(n[i])})
		means = append(means, mean[i])
	}
	a, err := ByGroups(groups)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "spc.csv", "Q141", a.Mean)
	printed(t, "spc.csv", "Q142", GroupOf(means).SD)
	printed(t, "spc.csv", "Q143", a.Within)
	near(t, "F unrounded", a.F, 2.2615, 0.00005)
	near(t, "Q144 from the printed figures", 5*57.*57/(85*85), row(t, "spc.csv", "Q144"), 0.005)
	f := distuv.F{D1: 9, D2: 40}
	printed(t, "spc.csv", "Q145", f.Quantile(0.95), f.Quantile(0.975))
	if a.P > 0.05 || a.P < 0.025 {
		t.Errorf("F lies between its 95 and 97.5 %% points, but p = %v", a.P)
	}
}

// By hand: five readings with s 0.001581, mean 10.002, reference 10.001,
// tolerance 0.1: Cg = 0.02/(6s), Cgk = (0.01 − 0.001)/(3s).
func TestType1ByHand(t *testing.T) {
	s, err := OnOnePart([]float64{10.000, 10.001, 10.002, 10.003, 10.004}, 10.001, 0.1, 0.001)
	if err != nil {
		t.Fatal(err)
	}
	sd := math.Sqrt(2.5e-6)
	near(t, "s", s.SD, sd, 1e-12)
	near(t, "Cg", s.Cg, 0.02/(6*sd), 1e-9)
	near(t, "Cgk", s.Cgk, 0.009/(3*sd), 1e-6)
	near(t, "t", s.T, 0.001/(sd/math.Sqrt(5)), 1e-6)
	// With 4 degrees of freedom p has a closed form: 1 − x(1.5 − x²/2), where
	// x = t/√(4+t²).
	x := s.T / math.Sqrt(4+s.T*s.T)
	near(t, "p", s.P, 1-x*(1.5-x*x/2), 1e-9)
	if len(s.Warnings) != 1 {
		t.Errorf("%q", s.Warnings)
	}
	if s, _ := OnOnePart([]float64{10, 10.01, 10.02}, 10, 0.1, 0.01); len(s.Warnings) != 2 {
		t.Errorf("a step of a tenth of the tolerance: %q", s.Warnings)
	}
}

func TestBadStudies(t *testing.T) {
	whole := []Reading{{"1", "A", 1}, {"1", "A", 2}, {"1", "B", 1}, {"1", "B", 2}, {"2", "A", 1}, {"2", "A", 2}, {"2", "B", 1}, {"2", "B", 2}}
	for name, rs := range map[string][]Reading{"hole": whole[:7], "nothing": nil, "one part": whole[:4], "once": {whole[0], whole[2], whole[4], whole[6]}} {
		if _, err := ByVariance(rs, Pooling{}); !errors.Is(err, ErrNotCrossed) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := ByRange(rs); !errors.Is(err, ErrNotCrossed) {
			t.Errorf("%s: %v", name, err)
		}
	}
	bad := append([]Reading(nil), whole...)
	bad[3].Value = math.Inf(1)
	if _, err := ByVariance(bad, Pooling{}); err == nil {
		t.Error("infinity was taken")
	}
	var large []Reading
	for p := range 11 {
		for _, a := range []string{"A", "B"} {
			for r := range 2 {
				large = append(large, Reading{string(rune('a' + p)), a, float64(p + r)})
			}
		}
	}
	if _, err := ByRange(large); err == nil {
		t.Error("there is no K3 for 11 parts")
	}
	if _, err := ByVariance(large, Pooling{Above: 0.25}); err != nil {
		t.Error(err)
	}
	if _, err := ByGroups([]Group{{1, 0, 1}, {2, 0, 1}}); !errors.Is(err, ErrTooFewGroups) {
		t.Error(err)
	}
	if _, err := ByLevels([][]Group{{{1, 0, 1}, {2, 0, 1}}}); !errors.Is(err, ErrTooFewGroups) {
		t.Error(err)
	}
	if _, err := OnOnePart([]float64{1, 1, 1}, 1, 0.1, 0); err == nil {
		t.Error("no scatter and no resolution")
	}
	if _, err := OnOnePart([]float64{1, 2}, 1, 0, 0); err == nil {
		t.Error("no tolerance")
	}
}

// Where every reading is alike there is nothing to divide by; where only the
// repeats are, the parts are certain.
func TestStudyWithoutScatter(t *testing.T) {
	var alike, parts []Reading
	for i, p := range []string{"1", "2"} {
		for _, a := range []string{"A", "B"} {
			alike = append(alike, Reading{p, a, 1}, Reading{p, a, 1})
			parts = append(parts, Reading{p, a, float64(i)}, Reading{p, a, float64(i)})
		}
	}
	if _, err := ByVariance(alike, Pooling{Above: 0.25}); err == nil {
		t.Error("a study of nothing")
	}
	if _, err := ByRange(alike); err == nil {
		t.Error("a study of nothing")
	}
	s, err := ByVariance(parts, Pooling{Above: 0.25})
	if err != nil || s.GRR != 0 || s.Distinct() < 100 {
		t.Errorf("%v, %+v", err, s)
	}
}

// A two-way analysis of real locknuts (Meek and Ozgur 1991), as the dataset's
// README recomputes it: platings as parts, fixtures as appraisers, ten each. The
// interaction is plain and must be kept.
func TestLocknuts(t *testing.T) {
	const file = "../datasets/locknut-torque/torque.csv"
	torque, fixture, plating := column(t, file, 0), text(t, file, 1), text(t, file, 2)
	var rs []Reading
	for i := range torque {
		rs = append(rs, Reading{plating[i], fixture[i], torque[i]})
	}
	s, err := ByVariance(rs, Pooling{Above: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	if s.Pooled {
		t.Error("an interaction with F = 9 was pooled")
	}
	for i, want := range []float64{2290.6, 821.4, 665.1, 1975.2} {
		near(t, s.Table[i].Name, s.Table[i].SS, want, 0.051)
	}
	near(t, "F of the interaction", s.Table[2].F, 9.09, 0.005)
	near(t, "mean square", s.Table[3].MS, 36.58, 0.005)
}
