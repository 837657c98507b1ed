package dashboards

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

var redColor = color.NRGBA{0xb0, 0x00, 0x20, 0xff}

// newToolPlot is an empty plot over days.
func newToolPlot(yLabel string) *plot.Plot {
	p := plot.New()
	sans := font.Font{Typeface: "Liberation", Variant: "Sans"}
	for _, s := range []*draw.TextStyle{&p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label} {
		s.Font, s.Color = font.From(sans, 14), inkColor
	}
	p.Y.Label.Text = yLabel
	p.X.Tick.Marker = dateTicks{}
	return p
}

// dateTicks writes days since 1970 as dates, at most six.
type dateTicks struct{}

// Ticks implements plot.Ticker.
func (dateTicks) Ticks(lo, hi float64) []plot.Tick {
	const most = 6
	step := max(1, math.Ceil((hi-lo)/most))
	var out []plot.Tick
	for x := math.Ceil(lo); x <= hi; x += step {
		out = append(out, plot.Tick{Value: x, Label: time.Unix(int64(x)*86400, 0).UTC().Format("2006-01-02")})
	}
	return out
}

func svgOf(p *plot.Plot, w, h float64) ([]byte, error) {
	c := vgsvg.New(vg.Points(w), vg.Points(h))
	p.Draw(draw.Crop(draw.New(c), 0, vg.Points(-16), 0, 0)) // the last label is wider in a browser's font than in the plot's own
	var b bytes.Buffer
	_, err := c.WriteTo(&b)
	return b.Bytes(), err
}

// pen is how a line is drawn.
type pen struct {
	color  color.Color
	width  float64
	dashes []vg.Length
}

var (
	limitPen = pen{redColor, 2, []vg.Length{vg.Points(10), vg.Points(4)}}
	trendPen = pen{blueColor, 2.5, nil}
	bandPen  = pen{blueColor, 1.5, []vg.Length{vg.Points(5), vg.Points(3)}}
	breakPen = pen{inkColor, 1.5, []vg.Length{vg.Points(2), vg.Points(4)}}
	linePen  = pen{inkColor, 1.2, nil}
)

func addLine(p *plot.Plot, xys plotter.XYs, k pen) error {
	l, err := plotter.NewLine(xys)
	if err != nil {
		return err
	}
	l.LineStyle = draw.LineStyle{Color: k.color, Width: vg.Points(k.width), Dashes: k.dashes}
	p.Add(l)
	return nil
}

func addMarks(p *plot.Plot, xys plotter.XYs, shape draw.GlyphDrawer, c color.Color, radius float64) error {
	if len(xys) == 0 {
		return nil
	}
	s, err := plotter.NewScatter(xys)
	if err != nil {
		return err
	}
	s.GlyphStyle = draw.GlyphStyle{Shape: shape, Color: c, Radius: vg.Points(radius)}
	p.Add(s)
	return nil
}

// level draws a level from edge to edge.
func level(p *plot.Plot, lo, hi, y float64, k pen) error {
	return addLine(p, plotter.XYs{{X: lo, Y: y}, {X: hi, Y: y}}, k)
}

// plotHistory draws what a tool deviated at one point: filled circles as found,
// squares as left, triangles for quick checks; dashed red lines the limits, dotted
// ink lines the adjustments, a blue line the trend with the band for a further
// check. The page says so below.
func plotHistory(s *toolSeries) ([]byte, error) {
	p := newToolPlot("deviation, " + s.unitName())
	var found, left, checks plotter.XYs
	lo, hi := math.Inf(1), math.Inf(-1)
	top := s.permitted()
	for i := range s.Points {
		q := &s.Points[i]
		xy := plotter.XY{X: byDays(q), Y: q.Deviation}
		lo, hi, top = min(lo, xy.X), max(hi, xy.X), max(top, math.Abs(q.Deviation))
		switch {
		case q.Left:
			left = append(left, xy)
		case q.What == "check":
			checks = append(checks, xy)
		default:
			found = append(found, xy)
		}
	}
	trend, trendErr := s.trend(byDays)
	until := hi
	if trendErr == nil {
		until = hi + 0.6*(hi-byDays(&s.Points[s.since()]))
		if c := trend.Crossing.Early; c > hi && c < hi+1.5*(hi-lo) {
			until = max(until, c+0.05*(c-lo))
		}
	}
	lo, until = lo-1, until+1
	if limit := s.permitted(); limit > 0 {
		for _, y := range []float64{-limit, limit} {
			if err := level(p, lo, until, y, limitPen); err != nil {
				return nil, err
			}
		}
	}
	if err := level(p, lo, until, 0, linePen); err != nil {
		return nil, err
	}
	for _, b := range s.Breaks {
		x := float64(b) / 86400e6
		if err := addLine(p, plotter.XYs{{X: x, Y: -1.15 * top}, {X: x, Y: 1.15 * top}}, breakPen); err != nil {
			return nil, err
		}
	}
	if trendErr == nil {
		from := byDays(&s.Points[s.since()])
		var line, high, low plotter.XYs
		for i := range 41 {
			x := from + (until-from)*float64(i)/40
			y, half := trend.Band(x)
			line, high, low = append(line, plotter.XY{X: x, Y: y}), append(high, plotter.XY{X: x, Y: y + half}), append(low, plotter.XY{X: x, Y: y - half})
		}
		for _, l := range []struct {
			xys plotter.XYs
			k   pen
		}{{high, bandPen}, {low, bandPen}, {line, trendPen}} {
			if err := addLine(p, l.xys, l.k); err != nil {
				return nil, err
			}
		}
	}
	for _, m := range []struct {
		xys   plotter.XYs
		shape draw.GlyphDrawer
		size  float64
	}{{checks, draw.PyramidGlyph{}, 4.5}, {found, draw.CircleGlyph{}, 5}, {left, draw.BoxGlyph{}, 4.5}} {
		if err := addMarks(p, m.xys, m.shape, inkColor, m.size); err != nil {
			return nil, err
		}
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = lo, until, -1.25*top, 1.25*top
	return svgOf(p, 760, 320)
}

// plotChart draws one control chart: values or sums, its limits dashed in red,
// and a cross where it signals.
func plotChart(s *toolSeries, which int) ([]byte, error) {
	c, err := s.charts()
	if err != nil {
		return nil, err
	}
	if which < 0 || which >= len(c.Rules) {
		return nil, fmt.Errorf("no chart %d", which)
	}
	ch := c.Rules[which].Chart
	label := "deviation, " + s.unitName()
	p := newToolPlot(label)
	var values, upper, lower, low, marks plotter.XYs
	for i, l := range ch.Lines {
		x := c.At[i]
		values, upper = append(values, plotter.XY{X: x, Y: l.Value}), append(upper, plotter.XY{X: x, Y: l.Upper})
		if ch.Low != nil {
			low = append(low, plotter.XY{X: x, Y: -ch.Low[i].Value})
			lower = append(lower, plotter.XY{X: x, Y: -l.Upper})
		} else {
			lower = append(lower, plotter.XY{X: x, Y: l.Lower})
		}
	}
	for _, g := range ch.Signals {
		y := values[g.At].Y
		if ch.Low != nil && !g.High {
			y = low[g.At].Y
		}
		marks = append(marks, plotter.XY{X: c.At[g.At], Y: y})
	}
	if ch.Low != nil {
		p.Y.Label.Text = "sums, " + s.unitName()
	}
	for _, l := range []struct {
		xys plotter.XYs
		k   pen
	}{{upper, limitPen}, {lower, limitPen}, {low, linePen}, {values, linePen}} {
		if len(l.xys) > 1 {
			if err := addLine(p, l.xys, l.k); err != nil {
				return nil, err
			}
		}
	}
	if err := addMarks(p, values, draw.CircleGlyph{}, inkColor, 2.5); err != nil {
		return nil, err
	}
	if err := addMarks(p, marks, draw.CrossGlyph{}, redColor, 9); err != nil {
		return nil, err
	}
	room := (p.Y.Max - p.Y.Min) / 10
	p.Y.Min, p.Y.Max = p.Y.Min-room, p.Y.Max+room
	return svgOf(p, 760, 260)
}
