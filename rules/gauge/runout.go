package gauge

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"witnessmark/events/quantity"
)

// Polar is what an indicator showed at an angle of the part.
type Polar struct {
	Angle quantity.Angle
	V     quantity.Length
}

// Turned is what one turn shows.
type Turned struct {
	Movement     quantity.Length // full indicator movement: greatest minus least reading
	Mean         quantity.Length // of the fit: what a centred, round part would show
	Eccentricity quantity.Length // amplitude of the first harmonic: how far the axis of the part lies off
	Direction    quantity.Angle  // of the high spot, 0 up to 360°
	Form         quantity.Length // greatest minus least of what the first harmonic leaves
	FormSD       quantity.Length // standard deviation of that, n − 3 degrees of freedom
	UEccentric   quantity.Length // standard uncertainty of the eccentricity from it: s·√(2/n)
	N            int
}

// ErrTurn says that a turn cannot be fitted: fewer than four readings, or all
// on one side.
var ErrTurn = errors.New("a run-out wants four readings or more, spread over the whole turn")

// FitTurn fits the first harmonic, r(φ) = c + a·cos φ + b·sin φ, by least
// squares. The eccentricity is √(a² + b²), towards atan2(b, a).
//
// Half the full indicator movement is the eccentricity only of a round part;
// what the harmonic leaves is the form error, so an out-of-round part is not
// called eccentric. Readings need not be evenly spaced. Source: the usual
// least-squares solution, by QR factorisation; for even spacing a = 2/n Σ r cos
// φ and b = 2/n Σ r sin φ.
func FitTurn(ps []Polar) (Turned, error) {
	n := len(ps)
	if n < 4 {
		return Turned{}, ErrTurn
	}
	design := mat.NewDense(n, 3, nil)
	r := mat.NewVecDense(n, nil)
	least, most := math.Inf(1), math.Inf(-1)
	for i, p := range ps {
		sin, cos := math.Sincos(p.Angle.Radians())
		v := p.V.Millimetres()
		design.SetRow(i, []float64{1, cos, sin})
		r.SetVec(i, v)
		least, most = min(least, v), max(most, v)
	}
	var qr mat.QR
	qr.Factorize(design)
	var x mat.VecDense
	if err := qr.SolveVecTo(&x, false, r); err != nil || qr.Cond() > 50 {
		return Turned{}, ErrTurn
	}
	c, a, b := x.AtVec(0), x.AtVec(1), x.AtVec(2)
	low, high, ss := math.Inf(1), math.Inf(-1), 0.0
	for i, p := range ps {
		sin, cos := math.Sincos(p.Angle.Radians())
		d := r.AtVec(i) - (c + float64(a*cos) + float64(b*sin))
		low, high = min(low, d), max(high, d)
		ss += float64(d * d)
	}
	sd := 0.0
	if n > 3 {
		sd = math.Sqrt(ss / float64(n-3))
	}
	mm := quantity.Millimetres
	dir := math.Mod(math.Atan2(b, a)*180/math.Pi+360, 360)
	return Turned{
		Movement: mm(most - least), Mean: mm(c), Eccentricity: mm(math.Hypot(a, b)), Direction: quantity.Degrees(dir),
		Form: mm(high - low), FormSD: mm(sd), UEccentric: mm(sd * math.Sqrt(2/float64(n))), N: n,
	}, nil
}

// Circle is a circle fitted to points.
type Circle struct {
	X, Y, R quantity.Length
	Peak    quantity.Length // greatest minus least distance of the points from the centre
	Squares float64         // sum of the squared distances from the circle, mm²
}

// FitCircle finds the circle with the least squared distances from points, x
// and y in pairs, by Gauss-Newton steps from the points' middle. ErrTurn for
// fewer than three points, or such as do not determine it. Source: Gander,
// Golub and Strebel, Least-squares fitting of circles and ellipses, BIT 34
// (1994), the geometric fit.
func FitCircle(points [][2]quantity.Length) (Circle, error) {
	n := len(points)
	if n < 3 {
		return Circle{}, ErrTurn
	}
	x := make([]float64, n)
	y := make([]float64, n)
	var cx, cy, r float64
	for i, p := range points {
		x[i], y[i] = p[0].Millimetres(), p[1].Millimetres()
		cx, cy = cx+x[i]/float64(n), cy+y[i]/float64(n)
	}
	for i := range x {
		r += math.Hypot(x[i]-cx, y[i]-cy) / float64(n)
	}
	for range 200 {
		j := mat.NewDense(n, 3, nil)
		d := mat.NewVecDense(n, nil)
		for i := range x {
			h := math.Hypot(x[i]-cx, y[i]-cy)
			if h == 0 {
				return Circle{}, ErrTurn
			}
			j.SetRow(i, []float64{(cx - x[i]) / h, (cy - y[i]) / h, -1})
			d.SetVec(i, r-h)
		}
		var qr mat.QR
		qr.Factorize(j)
		var s mat.VecDense
		if err := qr.SolveVecTo(&s, false, d); err != nil {
			return Circle{}, ErrTurn
		}
		cx, cy, r = cx+s.AtVec(0), cy+s.AtVec(1), r+s.AtVec(2)
		if math.Abs(s.AtVec(0))+math.Abs(s.AtVec(1))+math.Abs(s.AtVec(2)) < 1e-12*(1+r) {
			return circleOf(x, y, cx, cy, r), nil
		}
	}
	return Circle{}, ErrTurn
}

func circleOf(x, y []float64, cx, cy, r float64) Circle {
	low, high, ss := math.Inf(1), math.Inf(-1), 0.0
	for i := range x {
		h := math.Hypot(x[i]-cx, y[i]-cy)
		low, high = min(low, h), max(high, h)
		ss += float64((h - r) * (h - r))
	}
	mm := quantity.Millimetres
	return Circle{X: mm(cx), Y: mm(cy), R: mm(r), Peak: mm(high - low), Squares: ss}
}
