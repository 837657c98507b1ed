package calibration

import (
	"fmt"
	"math"
	"sort"
	"time"

	"gonum.org/v1/gonum/stat"

	"witnessmark/events/quantity"
)

// A Tool is what is calibrated.
type Tool struct {
	ID         string
	Class      Class
	Least      quantity.Torque // lowest value of its range
	Most       quantity.Torque // its capacity
	Resolution quantity.Torque // step of its display or scale
	Permitted  float64         // maximum permissible deviation in %; 0 takes that of its class
}

// MaxDeviation is the limit that holds for the tool, in %.
func (t Tool) MaxDeviation() float64 {
	if t.Permitted > 0 {
		return t.Permitted
	}
	return t.Class.MaxDeviation(t.Most)
}

// A Reference is the bench device, itself a tool with a certificate.
type Reference struct {
	ID        string
	Certified time.Time       // date of its certificate
	Due       time.Time       // until when it may be used; zero is not known
	Expanded  float64         // its expanded uncertainty (k = 2) in % of the reading
	Least     quantity.Torque // its range; both zero is not known
	Most      quantity.Torque
	// Resolution is the step of its display; zero is not known.
	Resolution quantity.Torque
}

// A Phase is before or after an adjustment.
type Phase string

// The phases: as found is what the tool was worth at work, as left what it is
// worth from now on.
const (
	AsFound Phase = "found"
	AsLeft  Phase = "left"
)

// A Direction is which way the tool was turned.
type Direction string

// Directions.
const (
	Clockwise        Direction = "cw"
	CounterClockwise Direction = "ccw"
)

// A Pair is one reading of tool and reference together.
type Pair struct {
	Row       int // as the person counts, for messages
	Phase     Phase
	Direction Direction
	Target    quantity.Torque // the test point
	Tool      quantity.Torque // Xa: indicated or set
	Reference quantity.Torque // Xr
	Unit      quantity.Unit   // as written
}

// A Sheet is all that a calibration consists of.
type Sheet struct {
	Tool       Tool
	Reference  Reference
	Day        time.Time // when it was done
	Now        time.Time // when it is judged
	Influences Influences
	Rule       Rule
	Ratio      float64 // wanted ratio of limit to reference uncertainty; 0 takes LeastRatio
	Pairs      []Pair  // in the order taken
}

// A Finding is what is wrong with a sheet, and what to do.
type Finding struct {
	Row  int    `json:"row,omitempty"` // 0 is the whole sheet
	Stop bool   `json:"stop"`          // no verdict can be given
	Text string `json:"text"`
}

// A Point is the verdict at one test point, in one phase and direction.
type Point struct {
	Phase     Phase
	Direction Direction
	Target    quantity.Torque
	N         int
	Mean      float64 // mean relative deviation, %
	SD        float64 // of the deviations, %
	Worst     float64 // the deviation farthest from zero, %
	Budget    Budget
	Verdict   Verdict // of the worst reading: the standard asks it of each
}

// A Result is the outcome of a calibration.
type Result struct {
	Limit    float64 // maximum permissible deviation, ± %
	Points   []Point // in the order first taken
	Findings []Finding
}

// Accepted says whether all points of the phase were accepted; false if there
// are none, or a finding stands against a verdict.
func (r Result) Accepted(p Phase) bool {
	n := 0
	for _, f := range r.Findings {
		if f.Stop {
			return false
		}
	}
	for _, pt := range r.Points {
		if pt.Phase == p {
			n++
			if !pt.Verdict.Accept {
				return false
			}
		}
	}
	return n > 0
}

// Judge checks the sheet and gives a verdict for each point. If a finding
// stops it, there are no points.
func Judge(s Sheet) Result {
	r := Result{Limit: s.Tool.MaxDeviation(), Findings: s.Check()}
	for _, f := range r.Findings {
		if f.Stop {
			return r
		}
	}
	for _, g := range s.groups() {
		p, err := s.point(g, r.Limit)
		if err != nil {
			r.Findings = append(r.Findings, Finding{Row: g[0].Row, Stop: true, Text: err.Error()})
			continue
		}
		r.Points = append(r.Points, p)
	}
	return r
}

type pointKey struct {
	phase     Phase
	direction Direction
	target    float64
}

func (p Pair) key() pointKey { return pointKey{p.Phase, p.Direction, p.Target.NewtonMetres()} }

// groups are the pairs of each point, in the order in which the points were
// first taken.
func (s Sheet) groups() [][]Pair {
	at := map[pointKey]int{}
	var all [][]Pair
	for _, p := range s.Pairs {
		i, ok := at[p.key()]
		if !ok {
			i = len(all)
			at[p.key()], all = i, append(all, nil)
		}
		all[i] = append(all[i], p)
	}
	return all
}

func (s Sheet) point(pairs []Pair, limit float64) (Point, error) {
	p := Point{Phase: pairs[0].Phase, Direction: pairs[0].Direction, Target: pairs[0].Target, N: len(pairs)}
	devs := make([]float64, len(pairs))
	for i, pair := range pairs {
		devs[i] = Deviation(pair.Tool, pair.Reference)
		if math.Abs(devs[i]) > math.Abs(p.Worst) || i == 0 {
			p.Worst = devs[i]
		}
	}
	p.Mean = stat.Mean(devs, nil)
	res := 100 * s.Tool.Resolution.NewtonMetres() / p.Target.NewtonMetres()
	b, err := ToolBudget(s.Reference.Expanded, res, devs, s.Influences)
	if err != nil {
		return p, fmt.Errorf("%s at %.4g N·m: %w", p.Direction, p.Target.NewtonMetres(), err)
	}
	p.SD, p.Budget = stat.StdDev(devs, nil), b
	p.Verdict = s.Rule.Decide(p.Worst, b.Combined(), Symmetric(limit))
	return p, nil
}

// Check looks for what makes a sheet wrong or doubtful, in the order of its
// rows.
func (s Sheet) Check() []Finding {
	f := append(s.checkReference(), s.checkTool()...)
	f = append(f, s.checkRows()...)
	f = append(f, s.checkPoints()...)
	sort.SliceStable(f, func(i, j int) bool { return f[i].Row < f[j].Row })
	return f
}

func stop(row int, format string, a ...any) Finding {
	return Finding{row, true, fmt.Sprintf(format, a...)}
}
func warn(row int, format string, a ...any) Finding {
	return Finding{row, false, fmt.Sprintf(format, a...)}
}

const day = "2006-01-02"

func (s Sheet) checkReference() (f []Finding) {
	r := s.Reference
	if r.Certified.After(s.Now) {
		f = append(f, stop(0, "the certificate of reference %s is dated %s, in the future: correct the date", r.ID, r.Certified.Format(day)))
	}
	if s.Day.After(s.Now) {
		f = append(f, stop(0, "the calibration is dated %s, in the future: correct the date", s.Day.Format(day)))
	}
	if !r.Due.IsZero() && s.Day.After(r.Due) {
		f = append(f, stop(0, "reference %s was due on %s: have it calibrated, then repeat the readings", r.ID, r.Due.Format(day)))
	}
	switch ratio, want := s.Tool.MaxDeviation()/r.Expanded, s.ratio(); {
	case !(r.Expanded > 0):
		f = append(f, stop(0, "the uncertainty of reference %s is not known: enter it from its certificate, in %% with k = 2", r.ID))
	case ratio < 1:
		f = append(f, stop(0, "reference %s (U = %.3g %%) is less sure than the tool's limit of ±%g %%: take a better reference", r.ID, r.Expanded, s.Tool.MaxDeviation()))
	case ratio < want:
		f = append(f, warn(0, "reference %s has U = %.3g %%, a ratio of %.2g to the limit of ±%g %%; wanted is %g: take a better reference, or decide by a guard band", r.ID, r.Expanded, ratio, s.Tool.MaxDeviation(), want))
	}
	return f
}

func (s Sheet) ratio() float64 {
	if s.Ratio > 0 {
		return s.Ratio
	}
	return LeastRatio
}

func (s Sheet) checkTool() (f []Finding) {
	t := s.Tool
	lo, hi := t.Least.NewtonMetres(), t.Most.NewtonMetres()
	if !(lo > 0 && lo <= hi) {
		return []Finding{stop(0, "the range of tool %s, %.4g to %.4g N·m, is none: enter the lowest and the highest value of its range", t.ID, lo, hi)}
	}
	if err := s.Rule.Check(); err != nil {
		f = append(f, stop(0, "%v", err))
	}
	// ISO 6789-1:2017, 5.1, from memory.
	if quarter := t.MaxDeviation() / 400 * lo; t.Class.Letter == 'C' && t.Class.Type == 1 && t.Resolution.NewtonMetres() > quarter {
		f = append(f, warn(0, "tool %s shows steps of %.3g N·m; at %.4g N·m a quarter of its limit is %.3g N·m: do not use it so low", t.ID, t.Resolution.NewtonMetres(), lo, quarter))
	}
	if len(s.Pairs) == 0 {
		f = append(f, stop(0, "there are no readings: take them at the test points"))
	}
	return f
}

func (s Sheet) checkRows() (f []Finding) {
	lo, hi := s.Tool.Least.NewtonMetres(), s.Tool.Most.NewtonMetres()
	rlo, rhi := s.Reference.Least.NewtonMetres(), s.Reference.Most.NewtonMetres()
	left := false
	for i, p := range s.Pairs {
		at, xa, xr := p.Target.NewtonMetres(), p.Tool.NewtonMetres(), p.Reference.NewtonMetres()
		if p.Unit != s.Pairs[0].Unit {
			f = append(f, stop(p.Row, "this row is in %s, the first in %s: write all rows in one unit", p.Unit.Symbol(), s.Pairs[0].Unit.Symbol()))
		}
		const slack = 1e-9 // of the range: a bound that was converted from another unit
		if !(at >= lo*(1-slack) && at <= hi*(1+slack)) {
			f = append(f, stop(p.Row, "the point %.4g N·m is outside the tool's range of %.4g to %.4g N·m: take points within it", at, lo, hi))
		}
		if rhi > 0 && !(at >= rlo*(1-slack) && at <= rhi*(1+slack)) {
			f = append(f, stop(p.Row, "the point %.4g N·m is outside the reference's range of %.4g to %.4g N·m: take another reference", at, rlo, rhi))
		}
		switch {
		case !(xa > 0 && xr > 0):
			f = append(f, stop(p.Row, "tool %.4g and reference %.4g N·m: both must be above zero; write the direction in its own column", xa, xr))
		case math.Abs(xa-xr) > 0.25*at:
			f = append(f, stop(p.Row, "tool %.4g and reference %.4g N·m are too far apart for one pull: the row pairs two different readings", xa, xr))
		}
		if i > 0 && p.Phase == AsFound && left {
			f = append(f, stop(p.Row, "an as-found reading after as-left ones: as found comes before the adjustment"))
		}
		left = left || p.Phase == AsLeft
	}
	return f
}

// checkPoints looks at the readings of each point together: how many there are
// and whether tool and reference were exchanged.
func (s Sheet) checkPoints() (f []Finding) {
	have := map[pointKey]bool{}
	var turns []pointKey // phase and direction, as first seen
	for _, g := range s.groups() {
		k := g[0].key()
		have[k] = true
		if k.target = 0; !have[k] {
			have[k], turns = true, append(turns, k)
		}
		if want := s.Tool.Class.Readings(); len(g) < want {
			f = append(f, warn(g[0].Row, "%d readings %s at %.4g N·m; a %s tool takes %d", len(g), g[0].Direction, g[0].Target.NewtonMetres(), s.Tool.Class, want))
		}
		if s.Tool.Class.Setting() && reversed(g) {
			f = append(f, stop(g[0].Row, "the reference stands still at %.4g N·m while the tool varies: tool and reference look exchanged; a setting tool stays at its set value", g[0].Reference.NewtonMetres()))
		}
	}
	if !s.Tool.Class.Setting() && Exchanged(s.Pairs, s.Tool.Resolution, s.Reference.Resolution) {
		f = append(f, stop(0, "the readings entered as %s's stand between its steps of %.4g N·m, and those of %s on them: tool and reference look exchanged; enter each under its own, or correct the step", s.Tool.ID, s.Tool.Resolution.NewtonMetres(), s.Reference.ID))
	}
	for _, k := range turns {
		for _, p := range s.Tool.Class.Points(s.Tool.Least, s.Tool.Most) {
			if k.target = p.NewtonMetres(); !s.taken(k) {
				f = append(f, warn(0, "no readings %s, as %s, at %.4g N·m, a test point of ISO 6789-1:2017", k.direction, k.phase, k.target))
			}
		}
	}
	return f
}

// taken says whether a point within 1 % of k was read.
func (s Sheet) taken(k pointKey) bool {
	for _, p := range s.Pairs {
		if p.Phase == k.phase && p.Direction == k.direction && math.Abs(p.Target.NewtonMetres()-k.target) <= 0.01*k.target {
			return true
		}
	}
	return false
}

func reversed(g []Pair) bool {
	if len(g) < 3 {
		return false
	}
	same, varies := true, false
	for _, p := range g[1:] {
		same = same && p.Reference == g[0].Reference
		varies = varies || p.Tool != g[0].Tool
	}
	return same && varies
}
