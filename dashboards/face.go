package dashboards

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"witnessmark/rules/procedure"
)

// faceView is the drawing of a part's side. All lengths are millimetres on
// the face, with y turned down as SVG wants it.
type faceView struct {
	Title    string
	ViewBox  string
	Hair     string // width of a thin line
	Outlines []outlineView
	Bolts    []boltView
}

type outlineView struct{ Class, Path string }

// boltView is one bolt head: where it is drawn, and what its mark says.
type boltView struct {
	mark
	Place          string // "at 2 o'clock", with the procedure's note
	At             string // transform of the bolt's own units
	Touch          string // radius of what a finger hits, in the bolt's own units
	LabelX, LabelY string // middle of the label
	NameDY, FigDY  string
	WordDY         string
	NameSize       string
	FigureSize     string
	WordSize       string
	x, y, lx, ly   float64
}

// What is drawn is true in place, but not in size: a bolt head of 15 mm on a
// case of 300 mm would be too small to be read at two metres. Heads are drawn
// as large as their neighbours allow.
const (
	headOfGap  = 0.34 // drawn flange radius as a share of the least distance between two fasteners
	headOfFace = 0.09
	// A label's middle is so many flange radii from the bolt's, sideways and
	// up or down: clear of the collar.
	labelX, labelY = 2.75, 2.5
)

// drawFace lays out a face with the joint's fasteners; either may be nil.
func drawFace(face *procedure.Face, joint *procedure.Joint, marks []mark) *faceView {
	if face == nil && (joint == nil || len(joint.Fasteners) == 0) {
		return nil
	}
	v := &faceView{}
	box := newBox()
	if face != nil {
		v.Title = face.Title
		for _, o := range face.Outlines {
			v.Outlines = append(v.Outlines, outlineView{outlineClass(o.Style), outlinePath(o, box)})
		}
	}
	if joint != nil {
		v.placeBolts(joint, marks, box)
	}
	w, h := box.maxX-box.minX, box.maxY-box.minY
	pad := 0.01 * max(w, h)
	v.ViewBox = fmt.Sprintf("%s %s %s %s", num(box.minX-pad), num(box.minY-pad), num(w+2*pad), num(h+2*pad))
	v.Hair = num(max(w, h) / 400)
	return v
}

func outlineClass(style string) string {
	switch style {
	case "body", "bore":
		return style
	}
	return "mark"
}

func (v *faceView) placeBolts(joint *procedure.Joint, marks []mark, b *box) {
	fs := joint.Fasteners
	for _, f := range fs {
		b.add(f.X, -f.Y, 0)
	}
	size := max(b.maxX-b.minX, b.maxY-b.minY, 1)
	gap := leastDistance(fs)
	r := min(headOfGap*gap, headOfFace*size)
	touch := max(1.3, min(gap/2/r, 1.9))
	cx, cy := middle(fs)
	for i, f := range fs {
		bv := boltView{x: f.X, y: -f.Y}
		if i < len(marks) {
			bv.mark = marks[i]
		}
		bv.ID = f.ID
		bv.Place = strings.Trim(f.Note+", "+clock(fs, i), ", ")
		bv.At = fmt.Sprintf("translate(%s %s) scale(%s)", num(bv.x), num(bv.y), num(r/100))
		bv.Touch = num(100 * touch)
		v.Bolts = append(v.Bolts, bv)
		b.add(bv.x, bv.y, 1.9*r)
	}
	for i := range v.Bolts {
		v.label(i, r, cx, -cy)
		b.add(v.Bolts[i].lx-1.2*r, v.Bolts[i].ly, 0)
		b.add(v.Bolts[i].lx+1.2*r, v.Bolts[i].ly, 0)
		b.add(v.Bolts[i].lx, v.Bolts[i].ly, 1.05*r)
	}
}

// label puts a bolt's name and figure on that side of it where there is most
// room, outward from the middle of the joint if all sides are alike.
func (v *faceView) label(i int, r, cx, cy float64) {
	b := &v.Bolts[i]
	ox, oy := b.x-cx, b.y-cy
	if d := math.Hypot(ox, oy); d > 0 {
		ox, oy = ox/d, oy/d
	}
	best := math.Inf(-1)
	for k := range 16 {
		a := float64(k) * math.Pi / 8
		dx, dy := math.Sin(a), -math.Cos(a)
		x, y := b.x+labelX*r*dx, b.y+labelY*r*dy
		room := 3 * r
		for j := range v.Bolts {
			if j != i {
				room = min(room, math.Hypot(v.Bolts[j].x-x, v.Bolts[j].y-y))
			}
			if j < i {
				room = min(room, 1.2*math.Hypot(v.Bolts[j].lx-x, v.Bolts[j].ly-y))
			}
		}
		if score := room + 0.8*r*(dx*ox+dy*oy); score > best+1e-9 {
			best, b.lx, b.ly = score, x, y
		}
	}
	b.LabelX, b.LabelY = num(b.lx), num(b.ly)
	b.NameDY, b.FigDY, b.WordDY = num(-0.62*r), num(0.14*r), num(0.8*r)
	b.NameSize, b.FigureSize, b.WordSize = num(0.8*r), num(0.7*r), num(0.56*r)
}

func leastDistance(fs []procedure.Fastener) float64 {
	least := math.Inf(1)
	for i, f := range fs {
		for _, g := range fs[:i] {
			if d := math.Hypot(f.X-g.X, f.Y-g.Y); d > 0 {
				least = min(least, d)
			}
		}
	}
	return least
}

func middle(fs []procedure.Fastener) (x, y float64) {
	for _, f := range fs {
		x, y = x+f.X/float64(len(fs)), y+f.Y/float64(len(fs))
	}
	return x, y
}

type box struct{ minX, minY, maxX, maxY float64 }

func newBox() *box {
	return &box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
}

func (b *box) add(x, y, r float64) {
	b.minX, b.maxX = min(b.minX, x-r), max(b.maxX, x+r)
	b.minY, b.maxY = min(b.minY, y-r), max(b.maxY, y+r)
}

// outlinePath returns an SVG path and adds its extent to b.
func outlinePath(o procedure.Outline, b *box) string {
	switch o.Shape {
	case "circle":
		b.add(o.X, -o.Y, o.R)
		return fmt.Sprintf("M%s %sa%[3]s %[3]s 0 1 0 %[4]s 0a%[3]s %[3]s 0 1 0 -%[4]s 0Z",
			num(o.X-o.R), num(-o.Y), num(o.R), num(2*o.R))
	case "rectangle":
		x0, x1, y0, y1 := o.X-o.W/2, o.X+o.W/2, o.Y-o.H/2, o.Y+o.H/2
		return polygonPath([][2]float64{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}, o.R, b)
	}
	return polygonPath(o.Points, o.Round, b)
}

// polygonPath draws a closed line whose corners are cut by quadratic curves
// that begin round mm from the corner.
func polygonPath(pts [][2]float64, round float64, b *box) string {
	var s strings.Builder
	n := len(pts)
	for i, p := range pts {
		x, y := p[0], -p[1]
		b.add(x, y, 0)
		if round <= 0 || n < 3 {
			s.WriteString(verb(i) + num(x) + " " + num(y))
			continue
		}
		ax, ay := toward(pts[i], pts[(i+n-1)%n], round)
		bx, by := toward(pts[i], pts[(i+1)%n], round)
		fmt.Fprintf(&s, "%s%s %sQ%s %s %s %s", verb(i), num(ax), num(-ay), num(x), num(y), num(bx), num(-by))
	}
	return s.String() + "Z"
}

func verb(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

// toward returns the point d from p on the way to q, at most half way.
func toward(p, q [2]float64, d float64) (x, y float64) {
	l := math.Hypot(q[0]-p[0], q[1]-p[1])
	if l == 0 {
		return p[0], p[1]
	}
	t := min(d/l, 0.5)
	return p[0] + t*(q[0]-p[0]), p[1] + t*(q[1]-p[1])
}

// num writes a coordinate with a hundredth of a millimetre.
func num(x float64) string {
	s := strconv.FormatFloat(math.Round(x*1000)/1000, 'f', -1, 64)
	if s == "-0" {
		return "0"
	}
	return s
}
