package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	read "witnessmark/rules/internal/published"
)

// Lines and parabolas against R's lm: coefficients, their standard errors, the
// residual standard deviation, and the 95 % band of a further reading.
func TestFitsAgainstR(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 9))
	for _, c := range []struct {
		powers []int
		model  string
	}{{[]int{0, 1}, "y ~ x"}, {[]int{0, 1, 2}, "y ~ x + I(x^2)"}, {[]int{1, 2}, "y ~ 0 + x + I(x^2)"}} {
		var x, y []float64
		var xs, ys []string
		for i := range 25 {
			a := float64(i)*3.7 + rng.Float64()
			b := 2 + 0.3*a - 0.002*a*a + 0.4*rng.NormFloat64()
			x, y = append(x, a), append(y, b)
			xs, ys = append(xs, fmt.Sprintf("%.17g", a)), append(ys, fmt.Sprintf("%.17g", b))
		}
		f, err := Poly(x, y, c.powers...)
		if err != nil {
			t.Fatal(err)
		}
		got := read.R(t, fmt.Sprintf(`x <- c(%s); y <- c(%s); m <- lm(%s); s <- summary(m)
p <- predict(m, data.frame(x = 120), interval = "prediction", level = 0.95)
cat(coef(m), s$coefficients[, 2], s$sigma, p[1], p[3] - p[1])`, strings.Join(xs, ","), strings.Join(ys, ","), c.model))
		want := append([]float64{}, f.Coef...)
		for i := range f.Coef {
			want = append(want, f.UCoef(i))
		}
		want = append(want, f.S, f.At(120), f.T(0.95)*f.UNext(120))
		if len(got) != len(want) {
			t.Fatalf("R gives %d figures, want %d", len(got), len(want))
		}
		for i := range want {
			read.Near(t, fmt.Sprintf("%s, figure %d", c.model, i), want[i], got[i], 1e-8*(math.Abs(got[i])+1e-3))
		}
	}
}
