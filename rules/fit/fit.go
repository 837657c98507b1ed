// Package fit fits polynomials by least squares and says how sure it is of
// them: coefficients with their covariance, the residual standard deviation,
// and bands for the mean and for a further reading. It knows no units; a
// coefficient of x^n is in units of y per unit of x to the n.
//
// Sources: NIST/SEMATECH e-Handbook of Statistical Methods 4.4.3 and 4.5 (least
// squares, prediction); JCGM 100 (GUM) H.3 (a calibration line with correlated
// coefficients). Solved by QR factorisation of gonum/mat.
package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// ErrTooFew says that there are not more readings than coefficients.
var ErrTooFew = errors.New("too few readings for the fit")

// ErrSingular says that the readings do not tell the coefficients apart, for
// instance since all were taken at one place.
var ErrSingular = errors.New("the readings do not determine the fit")

// A Fit is y = Σ Coef[i]·x^Powers[i] + error.
type Fit struct {
	Powers []int       // the powers of x, as asked for
	Coef   []float64   // one for each power
	Cov    [][]float64 // covariance of the coefficients
	S      float64     // residual standard deviation, in units of y
	DF     int         // its degrees of freedom
	R2     float64     // share of the sum of squares about the mean that the fit takes up
	N      int         // readings
}

// Poly fits the given powers of x, such as 0, 1 for a line with a constant or
// 1, 2 for a parabola through the origin.
func Poly(x, y []float64, powers ...int) (Fit, error) {
	n, p := len(x), len(powers)
	if len(y) != n || p == 0 {
		return Fit{}, fmt.Errorf("fit %d x against %d y with %d powers: give as many x as y, and a power", n, len(y), p)
	}
	if n <= p {
		return Fit{}, fmt.Errorf("fit %d coefficients to %d readings: %w", p, n, ErrTooFew)
	}
	design := mat.NewDense(n, p, nil)
	for i := range n {
		if math.IsNaN(x[i]+y[i]) || math.IsInf(x[i]+y[i], 0) {
			return Fit{}, fmt.Errorf("fit reading %d (%v, %v): not a finite number", i+1, x[i], y[i])
		}
		for j, k := range powers {
			design.Set(i, j, math.Pow(x[i], float64(k)))
		}
	}
	return solve(design, x, y, powers)
}

// solve scales each column to length one first, so that the test for
// singularity does not hang on the units of x.
func solve(design *mat.Dense, x, y []float64, powers []int) (Fit, error) {
	n, p := design.Dims()
	scale := make([]float64, p)
	for j := range p {
		scale[j] = mat.Norm(design.ColView(j), 2)
		if scale[j] == 0 {
			return Fit{}, ErrSingular
		}
		for i := range n {
			design.Set(i, j, design.At(i, j)/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(design)
	var b mat.VecDense
	if err := qr.SolveVecTo(&b, false, mat.NewVecDense(n, append([]float64(nil), y...))); err != nil || qr.Cond() > 1e12 {
		return Fit{}, ErrSingular
	}
	f := Fit{Powers: append([]int(nil), powers...), Coef: make([]float64, p), N: n, DF: n - p}
	for j := range p {
		f.Coef[j] = b.AtVec(j) / scale[j]
	}
	f.residuals(x, y)
	inverse, err := normalInverse(&qr, p)
	if err != nil {
		return Fit{}, ErrSingular
	}
	f.Cov = make([][]float64, p)
	for i := range p {
		f.Cov[i] = make([]float64, p)
		for j := range p {
			f.Cov[i][j] = f.S * f.S * inverse.At(i, j) / scale[i] / scale[j]
		}
	}
	return f, nil
}

// normalInverse is (XᵀX)⁻¹ = R⁻¹R⁻ᵀ.
func normalInverse(qr *mat.QR, p int) (*mat.Dense, error) {
	var r, inv, out mat.Dense
	qr.RTo(&r)
	if err := inv.Inverse(r.Slice(0, p, 0, p)); err != nil {
		return nil, err
	}
	out.Mul(&inv, inv.T())
	return &out, nil
}

func (f *Fit) residuals(x, y []float64) {
	mean := 0.0
	for _, v := range y {
		mean += v / float64(len(y))
	}
	var rss, tss float64
	for i := range y {
		r, d := y[i]-f.At(x[i]), y[i]-mean
		rss, tss = rss+r*r, tss+d*d
	}
	f.S = math.Sqrt(rss / float64(f.DF))
	f.R2 = 1 - rss/tss
}

// At is the fitted value at x, in units of y.
func (f Fit) At(x float64) float64 {
	y := 0.0
	for j, k := range f.Powers {
		y += f.Coef[j] * math.Pow(x, float64(k))
	}
	return y
}

// UMean is the standard uncertainty of the fitted value at x, in units of y.
func (f Fit) UMean(x float64) float64 {
	v := 0.0
	for i, k := range f.Powers {
		for j, l := range f.Powers {
			v += f.Cov[i][j] * math.Pow(x, float64(k+l))
		}
	}
	return math.Sqrt(max(v, 0))
}

// UNext is the standard uncertainty of one further reading at x: of the fitted
// value and of the scatter of readings, in units of y.
func (f Fit) UNext(x float64) float64 { return math.Hypot(f.UMean(x), f.S) }

// UCoef is the standard uncertainty of the coefficient i.
func (f Fit) UCoef(i int) float64 { return math.Sqrt(f.Cov[i][i]) }

// Corr is the correlation of the coefficients i and j.
func (f Fit) Corr(i, j int) float64 { return f.Cov[i][j] / f.UCoef(i) / f.UCoef(j) }

// T is the two-sided Student factor for the fit's degrees of freedom: with
// confidence c, a value lies within ± T(c) of its standard uncertainty.
func (f Fit) T(c float64) float64 { return Student((1+c)/2, float64(f.DF)) }

// Student is the quantile p of Student's distribution with df degrees of
// freedom; an infinite df is the normal distribution.
func Student(p, df float64) float64 {
	if math.IsInf(df, 1) {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
}
