package dashboards

import (
	"fmt"
	"math"
	"strconv"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// careView is the calibration or quick check that is open at a bench.
type careView struct {
	ID          string
	Calibration bool
	Title       string // "Calibration as found: Orrin K2 no. 7 against Orrin B1 bench tester"
	Do          string // what to do now, in large type
	How         string // "Reading 2 of 5 at 120.0 N·m clockwise; 7 of 32 in all"
	Half        string // what has come of the pair, "" for nothing
	Last        string // the last pair with its deviation
	Said        string // why the last reading was not taken
	Notes       []string
	Taken       bool // something can be taken back
	All         bool // all that was planned is taken
	Share       int  // of the plan, in %
}

// refusedToolView is a tool that may not be used for what is next.
type refusedToolView struct {
	Tool, Name, Why, Todo string
	Override              bool
}

func (v viewer) refusedTools(job *rules.Job) []refusedToolView {
	var out []refusedToolView
	for _, r := range v.st.RefusedTools(job, events.InstantOf(v.now)) {
		name := r.Name
		if n := v.toolName(r.Tool); n != "" {
			name = n
		}
		out = append(out, refusedToolView{r.Tool, name, r.Why, r.Todo, r.Override})
	}
	return out
}

// care builds the card of what is open at a bench, nil if nothing is.
func (v viewer) care(bench string) *careView {
	p, ok := v.st.PairingAt(bench)
	if !ok {
		return nil
	}
	tool, ref := v.toolName(p.Tool), v.toolName(p.Reference)
	c := &careView{ID: p.Calibration + p.Check, Calibration: p.Calibration != "", Notes: p.Note, Said: p.Said, All: p.Row == p.Rows, Taken: p.Row > 0,
		Share: 100 * p.Row / max(1, p.Rows)}
	c.Title = fmt.Sprintf("Quick check: %s on %s", tool, ref)
	if c.Calibration {
		c.Title = fmt.Sprintf("Calibration as %s: %s against %s", p.Phase, tool, ref)
	}
	if p.Last != nil {
		c.Last = v.pairWords(p.Last)
	}
	if c.All {
		c.Do, c.How = "All readings are taken", fmt.Sprintf("%d of %d. Have it judged, or take the last one back.", p.Rows, p.Rows)
		return c
	}
	c.Do, c.How = v.careDo(&p, tool, ref), v.careHow(&p)
	switch {
	case !p.Half.Tool.IsZero():
		c.Half, c.Taken = fmt.Sprintf("%s says %s. %s has not said anything yet.", tool, v.shown(p.Half.Tool, p.Half.ToolUnit), ref), true
	case !p.Half.Reference.IsZero():
		c.Half, c.Taken = fmt.Sprintf("%s says %s. %s has not said anything yet.", ref, v.shown(p.Half.Reference, p.Half.ReferenceUnit), tool), true
	}
	return c
}

// shown writes a value in the unit in which it was said.
func (v viewer) shown(x quantity.Value, code string) string {
	u, ok := quantity.UnitByCode(code)
	if !ok || u.Dimension() != x.Dimension() {
		u = unitFor(v.st.Shop, x, quantity.Unit{})
	}
	return quantity.Format(x, u, decimals(u)+1)
}

func (v viewer) point(p *events.CalibrationPair) string {
	u := quantity.NewtonMetre
	if p.Point.Dimension() == quantity.DimLength {
		u = quantity.Millimetre
	}
	return withUnit(p.Point, u)
}

// careDo says what to do now.
func (v viewer) careDo(p *rules.Pairing, tool, ref string) string {
	at := v.point(&p.Plan)
	switch {
	case !p.Half.Tool.IsZero():
		return "Waiting for " + ref
	case !p.Half.Reference.IsZero():
		return "Waiting for " + tool
	case p.Plan.Point.Dimension() == quantity.DimLength:
		return fmt.Sprintf("Block of %s under %s", at, tool)
	case p.Setting && p.Plan.Preload:
		return fmt.Sprintf("Set %s to %s and pull it: a preload", tool, at)
	case p.Setting:
		return fmt.Sprintf("Set %s to %s and pull until it releases", tool, at)
	case p.Plan.Preload:
		return fmt.Sprintf("Preload: pull to %s, %s", at, travel(p.Plan.Direction))
	}
	return fmt.Sprintf("Pull to %s, %s", at, travel(p.Plan.Direction))
}

func (v viewer) careHow(p *rules.Pairing) string {
	what := "Reading"
	if p.Plan.Preload {
		what = "Preload"
	}
	return fmt.Sprintf("%s %d of %d at %s, %s; %d of %d in all", what, p.Reading, p.Readings, v.point(&p.Plan), travel(p.Plan.Direction), p.Row+1, p.Rows)
}

// travel writes a direction in words.
func travel(direction string) string {
	switch direction {
	case "ccw":
		return "counter-clockwise"
	case "in":
		return "going in"
	case "out":
		return "coming out"
	}
	return "clockwise"
}

// pairWords tells a pair with its deviation.
func (v viewer) pairWords(p *events.CalibrationPair) string {
	s := fmt.Sprintf("%s against %s", v.shown(p.Tool, p.ToolUnit), v.shown(p.Reference, p.ReferenceUnit))
	switch off := p.Tool.Base() - p.Reference.Base(); {
	case p.Preload:
		return s + ", a preload"
	case p.Point.Dimension() == quantity.DimLength:
		return s + ": " + signed(off, 3) + " mm"
	case p.Reference.Base() == 0 || math.IsNaN(off):
		return s
	default:
		return s + ": " + signed(100*off/p.Reference.Base(), 2) + " %"
	}
}

// signed writes a figure with its sign.
func signed(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if x >= 0 {
		return "+" + s
	}
	return minus(s)
}

// careBench is where a tool is calibrated or checked, for patch.
func careBench(st *rules.State, tool string) (string, bool) {
	if n := st.Tools[tool]; n != nil && n.Calibration != nil {
		return n.Calibration.Bench, true
	}
	if n := st.Tools[tool]; n != nil && n.Check != nil {
		return n.Check.Bench, true
	}
	return "", false
}
