package dashboards

import (
	"bytes"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

const mostBins = 40

var (
	inkColor   = color.NRGBA{0x14, 0x20, 0x2b, 0xff}
	metalColor = color.NRGBA{0xd5, 0xda, 0xd9, 0xff}
	blueColor  = color.NRGBA{0x0a, 0x4f, 0xae, 0xff}
)

// plotRotations draws how far the pulls of a pass turned: filled columns for
// first pulls, empty dashed ones for pulls on a tight fastener, the window now
// as a full line at each end, the proposed one dashed. The page says so below.
func plotRotations(lp *learnedPass) ([]byte, error) {
	p := plot.New()
	sans := font.Font{Typeface: "Liberation", Variant: "Sans"}
	for _, s := range []*draw.TextStyle{&p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label} {
		s.Font = font.From(sans, 13)
		s.Color = inkColor
	}
	p.X.Label.Text, p.Y.Label.Text = "rotation, degrees", "pulls"
	lo, hi := span(lp.fresh, lp.repeat)
	for _, g := range []struct {
		xs     []float64
		fill   color.Color
		dashes []vg.Length
	}{{lp.fresh, metalColor, nil}, {lp.repeat, nil, []vg.Length{vg.Points(3), vg.Points(2)}}} {
		if len(g.xs) == 0 {
			continue
		}
		h, err := columns(g.xs, lo, hi)
		if err != nil {
			return nil, err
		}
		h.FillColor, h.LineStyle = g.fill, draw.LineStyle{Color: inkColor, Width: vg.Points(1.2), Dashes: g.dashes}
		p.Add(h)
	}
	top := p.Y.Max * 1.1
	for _, w := range []struct {
		lo, hi float64
		dashes []vg.Length
	}{{lp.lo, lp.hi, nil}, {lp.propLo, lp.propHi, []vg.Length{vg.Points(7), vg.Points(4)}}} {
		if w.hi <= w.lo {
			continue
		}
		for _, x := range []float64{w.lo, w.hi} {
			l, err := plotter.NewLine(plotter.XYs{{X: x, Y: 0}, {X: x, Y: top}})
			if err != nil {
				return nil, err
			}
			l.LineStyle = draw.LineStyle{Color: blueColor, Width: vg.Points(2.5), Dashes: w.dashes}
			p.Add(l)
		}
	}
	room := (p.X.Max - p.X.Min) / 20 // a line at the edge would be cut
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = p.X.Min-room, p.X.Max+room, 0, top
	c := vgsvg.New(vg.Points(640), vg.Points(300))
	p.Draw(draw.New(c))
	var b bytes.Buffer
	_, err := c.WriteTo(&b)
	return b.Bytes(), err
}

func span(groups ...[]float64) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, xs := range groups { // sorted
		if len(xs) > 0 {
			lo, hi = min(lo, xs[0]), max(hi, xs[len(xs)-1])
		}
	}
	return lo, hi
}

// columns counts values in equal bins over a span that all groups share.
func columns(xs []float64, lo, hi float64) (*plotter.Histogram, error) {
	width := (hi - lo) / mostBins
	if !(width > 0) {
		width = 1
	}
	bins := make(plotter.XYs, mostBins)
	for i := range bins {
		bins[i].X = lo + (float64(i)+0.5)*width
	}
	for _, x := range xs {
		bins[min(int((x-lo)/width), mostBins-1)].Y++
	}
	h, err := plotter.NewHistogram(bins, mostBins)
	if err != nil {
		return nil, err
	}
	for i := range h.Bins { // its own edges run from middle to middle
		h.Bins[i] = plotter.HistogramBin{Min: lo + float64(i)*width, Max: lo + float64(i+1)*width, Weight: bins[i].Y}
	}
	h.Width = width
	return h, nil
}
