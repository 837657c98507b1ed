package dashboards

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/dashboards/recalls"
	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
	"witnessmark/rules/drift"
)

// toolPoint is what a tool deviated at one time.
type toolPoint struct {
	At        events.Instant
	Cycles    int64
	Deviation float64
	U         float64
	Permitted float64
	What, ID  string
	Left      bool // after an adjustment
	Standing  events.Standing
}

// toolSeries is what a tool deviated at one test point and direction.
type toolSeries struct {
	Point     quantity.Value
	Direction string // "" is clockwise
	Unit      string // of the deviations
	Points    []toolPoint
	Breaks    []events.Instant // adjustments
}

// toolSeriesOf sorts a history by test points, the one with the most first.
func toolSeriesOf(history []recalls.Worth, adjusted []ledger.Adjusted) []toolSeries {
	var out []toolSeries
	for i := range history {
		w := &history[i]
		if w.What == "check" && w.Standing == events.StandingUnknown {
			continue // tool and reference looked exchanged
		}
		for _, r := range w.Results {
			dir := r.Direction
			if dir == "cw" {
				dir = ""
			}
			k := slices.IndexFunc(out, func(s toolSeries) bool {
				return s.Direction == dir && s.Unit == r.Unit && s.Point.Dimension() == r.Point.Dimension() && math.Abs(s.Point.Base()-r.Point.Base()) <= 1e-6*math.Abs(r.Point.Base())
			})
			if k < 0 {
				k, out = len(out), append(out, toolSeries{Point: r.Point, Direction: dir, Unit: r.Unit})
			}
			out[k].Points = append(out[k].Points, toolPoint{w.AtUs, w.Cycles, r.Deviation, r.U, r.Permitted, w.What, w.ID, w.Phase == events.PhaseLeft, r.Standing})
		}
	}
	for i := range out {
		for _, a := range adjusted {
			out[i].Breaks = append(out[i].Breaks, a.AtUs)
		}
	}
	slices.SortStableFunc(out, func(a, b toolSeries) int {
		return cmp.Or(cmp.Compare(len(b.Points), len(a.Points)), cmp.Compare(a.Point.Base(), b.Point.Base()), cmp.Compare(a.Direction, b.Direction))
	})
	return out
}

// since is where the points since the last adjustment begin.
func (s *toolSeries) since() int {
	from := 0
	for i, p := range s.Points {
		if i == 0 {
			continue
		}
		broken := p.Left && !s.Points[i-1].Left
		for _, b := range s.Breaks {
			broken = broken || s.Points[i-1].At < b && b <= p.At
		}
		if broken {
			from = i
		}
	}
	return from
}

// last is the latest deviation.
func (s *toolSeries) last() float64 { return s.Points[len(s.Points)-1].Deviation }

// permitted is the limit that held last, 0 if none is known.
func (s *toolSeries) permitted() float64 {
	for _, p := range slices.Backward(s.Points) {
		if p.Permitted > 0 {
			return p.Permitted
		}
	}
	return 0
}

// now gives times and deviations since the last adjustment.
func (s *toolSeries) now(axis func(*toolPoint) float64) (at, x []float64) {
	for i := s.since(); i < len(s.Points); i++ {
		at, x = append(at, axis(&s.Points[i])), append(x, s.Points[i].Deviation)
	}
	return at, x
}

func byDays(p *toolPoint) float64   { return float64(p.At) / 86400e6 }
func byCycles(p *toolPoint) float64 { return float64(p.Cycles) }

// trend is the line since the last adjustment along an axis.
func (s *toolSeries) trend(axis func(*toolPoint) float64) (drift.Trend, error) {
	limit := s.permitted()
	if limit == 0 {
		return drift.Trend{}, fmt.Errorf("%w: no limit is known", drift.ErrHistory)
	}
	at, x := s.now(axis)
	checks := make([]drift.Check, len(at))
	for i := range at {
		checks[i] = drift.Check{At: at[i], Deviation: x[i]}
	}
	return drift.TrendOf(checks, calibration.Symmetric(limit), 0.95)
}

// name says which test point it is.
func (s *toolSeries) name() string {
	unit := quantity.NewtonMetre
	switch s.Point.Dimension() {
	case quantity.DimLength:
		unit = quantity.Millimetre
	case quantity.DimAngle:
		unit = quantity.Degree
	case quantity.DimForce:
		unit = quantity.Newton
	}
	name := num(s.Point.In(unit)) + " " + unit.Symbol()
	if s.Direction != "" {
		name += map[string]string{"ccw": ", anticlockwise", "in": ", going in", "out": ", going out"}[s.Direction]
	}
	return name
}

func (s *toolSeries) unitName() string {
	if u, ok := quantity.UnitByCode(s.Unit); ok {
		return u.Symbol()
	}
	return s.Unit
}

// decimals are those that deviations are shown with: a tenth of a micrometre
// for a length, a hundredth for a percentage.
func (s *toolSeries) decimals() int {
	if s.Unit == quantity.Millimetre.Code() {
		return 4
	}
	return 2
}

func (s *toolSeries) signed(x float64) string { return fmt.Sprintf("%+.*f", s.decimals(), x) }
func (s *toolSeries) figure(x float64) string { return fmt.Sprintf("%.*f", s.decimals(), x) }

// trendWords says in plain words how a tool drifts and when it leaves its limits.
func (s *toolSeries) trendWords(now time.Time) []string {
	t, err := s.trend(byDays)
	if err != nil {
		n := len(s.Points) - s.since()
		return []string{fmt.Sprintf("%s since the last adjustment: a trend wants %d.", plural(n, "value"), drift.LeastChecks)}
	}
	unit := s.unitName()
	year := fmt.Sprintf("%s %s a year", s.signed(365*t.Slope), unit)
	lines := []string{fmt.Sprintf("It drifts by %s, ± %s (95 %%, one side).", year, s.figure(365*t.SlopeHalf))}
	if !t.Sure {
		lines = []string{fmt.Sprintf("No drift shows: %s ± %s (95 %%, one side).", year, s.figure(365*t.SlopeHalf))}
	}
	far := float64(now.Unix())/86400 + 20*365
	switch c := t.Crossing; {
	case c.Early <= t.Last:
		lines = append(lines, "A check may be outside its limits already: calibrate it before it is used again.")
	case c.Early > far:
		lines = append(lines, "It does not leave its limits within twenty years.")
	default:
		text := fmt.Sprintf("It could leave %+.3g %s from %s on", c.Limit, unit, dayOf(c.Early))
		if c.Best < far {
			text += fmt.Sprintf("; most likely on %s", dayOf(c.Best))
		}
		lines = append(lines, text+".")
	}
	if first, last := s.Points[s.since()].Cycles, s.Points[len(s.Points)-1].Cycles; last > first {
		if t, err := s.trend(byCycles); err == nil && t.Crossing.Early > t.Last && t.Crossing.Early < 1e7 {
			lines = append(lines, fmt.Sprintf("By its cycles: from cycle %.0f on; it has made %d.", t.Crossing.Early, last))
		}
	}
	return lines
}

func dayOf(days float64) string {
	return time.Unix(int64(days*86400), 0).UTC().Format(time.DateOnly)
}

// charts are the control charts since the last adjustment.
func (s *toolSeries) charts() (drift.Charts, error) {
	at, x := s.now(byDays)
	return drift.ChartsOf(at, x)
}

// interval is advice from the shop's own history: how many tools of one kind
// were found in tolerance at the end of their intervals.
type interval struct {
	Good, Tested int
	Days         float64
	Torque       bool // never above a year
}

// words says what the interval should be, by which method.
func (i *interval) words() string {
	const target = 0.95
	if i.Tested < 5 {
		return fmt.Sprintf("%s of this kind %s calibrated as found so far: advice on the interval wants five.", plural(i.Tested, "tool"), map[bool]string{true: "was", false: "were"}[i.Tested == 1])
	}
	a, err := drift.ByTest(i.Good, i.Tested, i.Days, target, 0.5)
	if err != nil {
		return ""
	}
	days, most := a.Interval, ""
	if i.Torque {
		days, most = min(days, 365), "; never above a year for torque tools"
	}
	text := fmt.Sprintf("%d of %d tools of this kind were found in tolerance at the end of their interval (%.0f to %.0f %%, 50 %% limits); wanted are %.0f %%.", i.Good, i.Tested, 100*a.Lower, 100*a.Upper, 100*target)
	if a.Changed && math.Round(days) != math.Round(i.Days) {
		return fmt.Sprintf("%s Advice: %.0f days in place of %.0f (method A3 of NCSLI RP-1%s).", text, days, i.Days, most)
	}
	return fmt.Sprintf("%s Advice: keep %.0f days (method A3 of NCSLI RP-1).", text, i.Days)
}
