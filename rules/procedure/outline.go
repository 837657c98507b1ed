package procedure

import "math"

// body reports whether the face has an outline of the part itself.
func (f *Face) body() bool {
	for _, o := range f.Outlines {
		if o.Style == "body" {
			return true
		}
	}
	return false
}

// on reports whether a place lies on the part: inside a body.
func (f *Face) on(x, y float64) bool {
	for _, o := range f.Outlines {
		if o.Style == "body" && o.contains(x, y) {
			return true
		}
	}
	return false
}

// inBore reports whether a place lies in a bore.
func (f *Face) inBore(x, y float64) bool {
	for _, o := range f.Outlines {
		if o.Style == "bore" && o.contains(x, y) {
			return true
		}
	}
	return false
}

// contains reports whether a place lies inside the outline. Rounded corners
// count as square ones.
func (o *Outline) contains(x, y float64) bool {
	switch o.Shape {
	case "circle":
		return math.Hypot(x-o.X, y-o.Y) <= o.R
	case "rectangle":
		return math.Abs(x-o.X) <= o.W/2 && math.Abs(y-o.Y) <= o.H/2
	case "polygon":
		return inPolygon(o.Points, x, y)
	}
	return false
}

// inPolygon counts the edges that a line from the place to the right crosses:
// an odd number means inside.
func inPolygon(pts [][2]float64, x, y float64) bool {
	in := false
	for i := range pts {
		a, b := pts[i], pts[(i+len(pts)-1)%len(pts)]
		if (a[1] > y) != (b[1] > y) && x < (b[0]-a[0])*(y-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}
