package gaugestudy

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	read "witnessmark/rules/internal/published"
)

// made is an invented study of 6 parts, 3 appraisers and 3 trials, with an
// interaction of the given size.
func made(seed uint64, interaction float64) []Reading {
	rng := rand.New(rand.NewPCG(seed, 7))
	var out []Reading
	for p := range 6 {
		part := 2 * rng.NormFloat64()
		for o := range 3 {
			cell := 10 + part + 0.4*float64(o) + interaction*rng.NormFloat64()
			for range 3 {
				out = append(out, Reading{Part: fmt.Sprint("p", p), Appraiser: fmt.Sprint("o", o), Value: cell + 0.3*rng.NormFloat64()})
			}
		}
	}
	return out
}

// vectors writes a study as three R vectors.
func vectors(rs []Reading) string {
	var p, o, v []string
	for _, r := range rs {
		p, o, v = append(p, "'"+r.Part+"'"), append(o, "'"+r.Appraiser+"'"), append(v, fmt.Sprintf("%.17g", r.Value))
	}
	return fmt.Sprintf("p <- factor(c(%s)); o <- factor(c(%s)); v <- c(%s)\n", strings.Join(p, ","), strings.Join(o, ","), strings.Join(v, ","))
}

// The table of the analysis of variance, and the variance components, against
// R's own aov: sums of squares, mean squares and F with its p, the interaction
// kept and pooled, on invented studies.
func TestAnalysisOfVarianceAgainstR(t *testing.T) {
	for _, c := range []struct {
		seed        uint64
		interaction float64
		pool        Pooling
		pooled      bool
	}{{1, 0.8, Pooling{Above: 0.25}, false}, {2, 0, Pooling{Above: 0}, true}, {3, 0.3, Pooling{Above: 1}, false}} {
		rs := made(c.seed, c.interaction)
		st, err := ByVariance(rs, c.pool)
		if err != nil || st.Pooled != c.pooled {
			t.Fatalf("study %d: pooled %t, %v", c.seed, st.Pooled, err)
		}
		model, over := "v ~ p * o", "a$'Mean Sq'[3]; df <- a$Df[3]"
		if c.pooled {
			model, over = "v ~ p + o", "a$'Mean Sq'[3]; df <- a$Df[3]" // without the interaction the third line is the error
		}
		got := read.R(t, vectors(rs)+fmt.Sprintf(`a <- anova(aov(%s))
over <- %s
f <- a$'Mean Sq'[1:2] / over
cat(a$'Sum Sq'[1:3], a$'Mean Sq'[1:3], f, pf(f, a$Df[1:2], df, lower.tail = FALSE))
full <- anova(aov(v ~ p * o))
cat(" ", full$'F value'[3], full$'Pr(>F)'[3], full$'Mean Sq'[4])
`, model, over))
		line := map[string]Effect{}
		for _, e := range st.Table {
			line[e.Name] = e
		}
		third := line["part × appraiser"]
		if c.pooled {
			third = line["pooled error"]
		}
		part, appraiser, cell := line["part"], line["appraiser"], line["part × appraiser"]
		want := []float64{part.SS, appraiser.SS, third.SS, part.MS, appraiser.MS, third.MS, part.F, appraiser.F, part.P, appraiser.P, cell.F, cell.P, line["repeatability"].MS}
		if len(got) != len(want) {
			t.Fatalf("R gives %d figures, want %d", len(got), len(want))
		}
		for i := range want {
			read.Near(t, fmt.Sprintf("study %d, figure %d", c.seed, i), want[i], got[i], 1e-9*(1+got[i]))
		}
		// Components by the expected mean squares (Montgomery), from R's figures.
		noise := got[12]
		if c.pooled {
			noise = got[5]
		}
		read.Near(t, "repeatability", st.Repeatability*st.Repeatability, noise, 1e-9)
		read.Near(t, "part", st.Part*st.Part, max(0, (got[3]-got[5])/9), 1e-9)
		read.Near(t, "appraiser", st.Appraiser*st.Appraiser, max(0, (got[4]-got[5])/18), 1e-9)
	}
}

// The constants of the range method by R's distribution of the studentised
// range: E(R) = ∫ 1 − P(R ≤ w), and E(R²) = ∫ 2w(1 − P(R ≤ w)).
func TestRangeConstantsAgainstR(t *testing.T) {
	got := read.R(t, `for (m in 2:10) cat(1 / sqrt(integrate(function(w) 2 * w * (1 - ptukey(w, m, Inf)), 0, 12, rel.tol = 1e-9)$value), "")`)
	for i, k := range k23 {
		read.Near(t, fmt.Sprintf("K for %d values", i+2), k, got[i], 0.00006)
	}
}
