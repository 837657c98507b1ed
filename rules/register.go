package rules

import (
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// Tool is where a tool of the register stands, by the journal. It is replaced
// when it changes, never written into.
type Tool struct {
	ID    string
	State events.ToolState
	Place string // where it is; "" where it is kept
	Why   string // the reason of the last move
	// Cycles counts the readings of a torque tool, and what its counter says
	// was lost on the way; Overloads those of them beyond its range.
	Cycles, Overloads int64
	CyclesAt          int64  // Cycles at the last calibration
	Calibrated        string // date of the last calibration that it passed, YYYY-MM-DD
	Due               string // last day of use by the calendar
	By                string // what says so: "shop file", a calibration, a certificate
	Standing          events.Standing
	StandingAt        events.Instant
	// Found says that it was calibrated as found since it was last adjusted:
	// what its readings were worth is known.
	Found bool
	// Good is when it was last known good: where a recall begins.
	GoodAt     events.Instant
	GoodCycles int64
	// Papers names the certificates that were entered for it, see paperOf.
	Papers     []string
	AdjustedAt events.Instant // 0: never
	// Checks are its latest quick checks since it was last adjusted, oldest
	// first.
	Checks      []PastCheck
	Calibration *OpenCalibration
	Check       *OpenCheck
}

// PastCheck is what a quick check found.
type PastCheck struct {
	Point      quantity.Value
	Deviations []float64 // % of the reference
	AtUs       events.Instant
}

// keptChecks is how many quick checks a tool is compared with. Our choice: a
// month and a half of shifts.
const keptChecks = 30

// OpenCalibration is a calibration that is being done at a bench.
type OpenCalibration struct {
	events.CalibrationOpened
	Pairs  []events.CalibrationPair // by row of the plan, as far as taken; the last may be half
	LastAt events.Instant           // of the last pair or half
	Said   string                   // why the last reading was passed over; "" if it was not
}

// OpenCheck is a quick check that is being done at a bench.
type OpenCheck struct {
	events.CheckOpened
	Pairs  []events.CalibrationPair
	LastAt events.Instant
	Said   string
}

// care returns the tool that is calibrated or checked at a bench, nil if none.
func (s *State) care(bench string) *Tool { return s.Tools[s.index.care[bench]] }

// CareAt returns the tool that is being calibrated or checked at a bench, nil
// if none is.
func (s *State) CareAt(bench string) *Tool { return s.care(bench) }

// setTool replaces what is known of a tool by what change makes of a copy.
// Nothing happens for a tool that was never registered.
func (s *State) setTool(id string, change func(*Tool)) {
	old := s.Tools[id]
	if old == nil {
		return
	}
	n := *old
	change(&n)
	s.Tools[id] = &n
	if n.Calibrated != old.Calibrated || n.Due != old.Due {
		s.dateTool(&n)
	}
}

// dateTool puts a tool's dates into the index. The index may be shared with a
// clone of the state, so its map is replaced.
func (s *State) dateTool(n *Tool) {
	d, there := s.index.tools[n.ID]
	if !there {
		return
	}
	tools := make(map[string]toolDates, len(s.index.tools))
	for id, t := range s.index.tools { // copied whole: the order does not matter
		tools[id] = t
	}
	d.dated(n.Calibrated, n.Due)
	tools[n.ID] = d
	s.index.tools = tools
}

// dated sets the dates of a tool, which are days in UTC.
func (d *toolDates) dated(calibrated, due string) {
	d.Calibrated, d.Due, d.from, d.until = calibrated, due, 0, 0
	if from, err := time.Parse(time.DateOnly, calibrated); err == nil {
		d.from = events.InstantOf(from)
	}
	if until, err := time.Parse(time.DateOnly, due); err == nil {
		d.until = events.InstantOf(until.AddDate(0, 0, 1))
	}
}

// registerShop takes the tools of a newly adopted shop file into the register.
// A calibration date that is newer than what the journal knows counts from now
// on; an older one does not undo what the journal knows.
func (s *State) registerShop(now events.Instant) {
	for _, t := range s.Shop.Tools {
		n := Tool{ID: t.ID, State: events.ToolInUse, Standing: events.StandingGood}
		if old := s.Tools[t.ID]; old != nil {
			n = *old
		}
		if t.Calibrated > n.Calibrated {
			n.CyclesAt, n.By, n.GoodAt, n.GoodCycles = n.Cycles, "shop file", now, n.Cycles
			if day, err := time.Parse(time.DateOnly, t.Calibrated); err == nil && events.InstantOf(day) < now {
				n.GoodAt = events.InstantOf(day)
			}
			n.Calibrated, n.Due = t.Calibrated, t.Due
		}
		if n.By == "shop file" && t.Calibrated == n.Calibrated {
			n.Due = t.Due
		}
		s.Tools[t.ID] = &n
	}
	s.indexShop()
}

// period is how long a tool may be used between calibrations.
func period(t *events.Tool) calibration.Period {
	p := calibration.Period{Months: calibration.UsualPeriod().Months}
	if t.Kind == events.ToolTorqueWrench {
		p.Cycles = calibration.UsualPeriod().Cycles
	}
	for _, own := range []struct {
		rule int
		of   *int
	}{{t.Interval.Months, &p.Months}, {t.Interval.Cycles, &p.Cycles}} {
		switch {
		case own.rule > 0:
			*own.of = own.rule
		case own.rule < 0:
			*own.of = 0
		}
	}
	return p
}

// CyclesLeft returns how many cycles a tool may still make before it is due;
// ok is false where no bound holds.
func (s *State) CyclesLeft(id string) (left int64, ok bool) {
	d, n := s.index.tools[id], s.Tools[id]
	p := period(&d.Tool)
	if n == nil || p.Cycles == 0 {
		return 0, false
	}
	return int64(p.Cycles) - (n.Cycles - n.CyclesAt), true
}

// countCycles counts the cycles that a decision tells of: one for the reading
// that it answers, if a torque tool took it, and those that were lost.
func (s *State) countCycles(d *events.Decided) {
	counted := false
	for _, o := range d.Outcomes {
		switch o := o.Data.(type) {
		case events.CyclesLost:
			s.setTool(o.Tool, func(n *Tool) { n.Cycles += int64(o.Cycles) })
			continue
		case events.CycleOverloaded:
			s.setTool(o.Tool, func(n *Tool) { n.Overloads++ })
			continue
		}
		tool, reading, v := s.takerOf(o.Data)
		if counted || reading != d.Cause || v.Dimension() != quantity.DimTorque {
			continue
		}
		counted = true
		s.setTool(tool, func(n *Tool) { n.Cycles++ })
	}
}

// takerOf returns the tool whose reading an outcome answers, that reading and
// its value; 0 for an outcome that answers none.
func (s *State) takerOf(o events.OutcomeData) (tool string, reading uint64, v quantity.Value) {
	switch o := o.(type) {
	case events.ReadingJudged:
		return o.Tool, o.Reading, o.Value
	case events.ReadingUnplaced:
		return o.Tool, o.Reading, o.Value
	case events.PullSetAside:
		return o.Tool, o.Reading, o.Value
	case events.ResidualJudged:
		return o.Tool, o.Reading, quantity.NewtonMetres(0).Value()
	case events.ReadingPassedOver:
		return o.Taker, o.Reading, o.Value
	case events.CalibrationTaken:
		return s.pairTaker(o.Tool, &o.Pair)
	case events.CheckTaken:
		return s.pairTaker(o.Tool, &o.Pair)
	}
	return "", 0, v
}

// pairTaker returns the newer reading of a pair, and whose it is.
func (s *State) pairTaker(tool string, p *events.CalibrationPair) (string, uint64, quantity.Value) {
	if p.ToolReading > p.ReferenceReading {
		return tool, p.ToolReading, p.Tool
	}
	n := s.Tools[tool]
	switch {
	case n == nil:
		return "", 0, p.Reference
	case n.Calibration != nil:
		return n.Calibration.Reference, p.ReferenceReading, p.Reference
	case n.Check != nil:
		return n.Check.Reference, p.ReferenceReading, p.Reference
	}
	return "", 0, p.Reference
}

// foldTool applies an outcome about a tool; false if o is something else.
func (s *State) foldTool(o events.OutcomeData, now events.Instant) bool {
	switch o := o.(type) {
	case events.ToolMoved:
		s.setTool(o.Tool, func(n *Tool) { n.State, n.Place, n.Why = o.State, o.Place, o.Reason })
	case events.ToolAdjusted:
		s.setTool(o.Tool, func(n *Tool) { n.AdjustedAt, n.Found, n.Checks = o.AtUs, false, nil })
	case events.CertificateEntered:
		s.foldCertificate(o)
	case events.ReadingAssigned:
		u := s.Unplaced[o.Reading]
		if u.Value.Dimension() == quantity.DimTorque {
			s.setTool(o.Tool, func(n *Tool) { n.Cycles++ })
		}
		if u.Reading != 0 {
			u.Tool = o.Tool
			s.Unplaced[o.Reading] = u
		}
	case events.CycleOverloaded: // counted
	case events.ReadingPassedOver:
		s.setCalibration(o.Tool, o.Calibration, func(c *OpenCalibration) { c.Said = o.Why })
		s.setCheck(o.Tool, o.Check, func(c *OpenCheck) { c.Said = o.Why })
	default:
		return s.foldCalibration(o) || s.foldCheck(o, now)
	}
	return true
}

func (s *State) foldCalibration(o events.OutcomeData) bool {
	switch o := o.(type) {
	case events.CalibrationOpened:
		s.setTool(o.Tool, func(n *Tool) { n.Calibration = &OpenCalibration{CalibrationOpened: o, LastAt: o.AtUs} })
		s.setCare(o.Bench, o.Tool)
	case events.CalibrationTaken:
		s.setCalibration(o.Tool, o.Calibration, func(c *OpenCalibration) {
			c.Pairs, c.LastAt, c.Said = withPair(c.Pairs, o.Row, o.Pair), o.AtUs, ""
		})
	case events.CalibrationUndone:
		s.setCalibration(o.Tool, o.Calibration, func(c *OpenCalibration) {
			c.Said = ""
			c.Pairs = slices.Clone(c.Pairs[:min(o.Row, len(c.Pairs))])
		})
	case events.CalibrationJudged:
		s.foldJudged(o)
	case events.CalibrationDropped:
		s.endCalibration(o.Tool, o.Calibration)
	default:
		return false
	}
	return true
}

// withPair puts a pair into a row; it shares nothing with pairs.
func withPair(pairs []events.CalibrationPair, row int, p events.CalibrationPair) []events.CalibrationPair {
	out := slices.Clone(pairs)
	for len(out) <= row {
		out = append(out, events.CalibrationPair{})
	}
	out[row] = p
	return out
}

func (s *State) setCalibration(tool, id string, change func(*OpenCalibration)) {
	s.setTool(tool, func(n *Tool) {
		if n.Calibration == nil || n.Calibration.Calibration != id {
			return
		}
		c := *n.Calibration
		change(&c)
		n.Calibration = &c
	})
}

func (s *State) setCheck(tool, id string, change func(*OpenCheck)) {
	s.setTool(tool, func(n *Tool) {
		if n.Check == nil || n.Check.Check != id {
			return
		}
		c := *n.Check
		change(&c)
		n.Check = &c
	})
}

// endCalibration takes an open calibration out of the state.
func (s *State) endCalibration(tool, id string) {
	n := s.Tools[tool]
	if n == nil || n.Calibration == nil || n.Calibration.Calibration != id {
		return
	}
	s.setCare(n.Calibration.Bench, "")
	s.setTool(tool, func(n *Tool) { n.Calibration = nil })
}

func (s *State) foldJudged(o events.CalibrationJudged) {
	s.endCalibration(o.Tool, o.Calibration)
	s.setTool(o.Tool, func(n *Tool) {
		n.judged(o.Standing, o.Phase, o.AtUs)
		if o.Due != "" {
			n.passed(o.Date, o.Due, "calibration "+o.Calibration, o.AtUs, o.Cycles)
		}
	})
}

// paperOf names a certificate: an as-found and an as-left one may share number
// and laboratory.
func paperOf(laboratory, number string, phase events.Phase) string {
	return strings.Join([]string{laboratory, number, string(phase)}, "\n")
}

func (s *State) foldCertificate(o events.CertificateEntered) {
	s.setTool(o.Tool, func(n *Tool) {
		n.Papers = append(slices.Clip(n.Papers), paperOf(o.Laboratory, o.Certificate, o.Phase))
		n.judged(o.Standing, o.Phase, o.AtUs)
		if o.Due != "" && o.Date >= n.Calibrated {
			at := o.AtUs
			if day, err := time.Parse(time.DateOnly, o.Date); err == nil {
				at = events.InstantOf(day)
			}
			n.passed(o.Date, o.Due, "certificate "+o.Certificate, at, o.Cycles)
		}
	})
}

func (n *Tool) judged(st events.Standing, ph events.Phase, at events.Instant) {
	n.Standing, n.StandingAt = st, at
	n.Found = n.Found || ph == events.PhaseFound
}

// passed notes a calibration that a tool passed: it may be used until due.
func (n *Tool) passed(date, due, by string, at events.Instant, cycles int64) {
	n.Calibrated, n.Due, n.By = date, due, by
	n.CyclesAt, n.GoodAt, n.GoodCycles = cycles, at, cycles
}

func (s *State) foldCheck(o events.OutcomeData, now events.Instant) bool {
	switch o := o.(type) {
	case events.CheckOpened:
		s.setTool(o.Tool, func(n *Tool) { n.Check = &OpenCheck{CheckOpened: o, LastAt: o.AtUs} })
		s.setCare(o.Bench, o.Tool)
	case events.CheckTaken:
		s.setCheck(o.Tool, o.Check, func(c *OpenCheck) {
			c.Pairs, c.LastAt, c.Said = withPair(c.Pairs, o.Row, o.Pair), o.AtUs, ""
		})
	case events.CheckJudged:
		s.endCheck(o.Tool, o.Check)
		if o.Standing == events.StandingUnknown {
			break // it says nothing of the tool
		}
		s.setTool(o.Tool, func(n *Tool) {
			n.Standing, n.StandingAt = o.Standing, o.AtUs
			if o.Standing == events.StandingGood {
				n.GoodAt, n.GoodCycles = o.AtUs, o.Cycles
			}
			n.Checks = append(slices.Clip(n.Checks), PastCheck{o.Point, o.Deviations, o.AtUs})
			n.Checks = n.Checks[max(0, len(n.Checks)-keptChecks):]
		})
	case events.CheckDropped:
		s.endCheck(o.Tool, o.Check)
	default:
		return false
	}
	return true
}

func (s *State) endCheck(tool, id string) {
	n := s.Tools[tool]
	if n == nil || n.Check == nil || n.Check.Check != id {
		return
	}
	s.setCare(n.Check.Bench, "")
	s.setTool(tool, func(n *Tool) { n.Check = nil })
}

// setCare notes which tool is calibrated or checked at a bench, "" for none.
func (s *State) setCare(bench, tool string) {
	care := make(map[string]string, len(s.index.care)+1)
	for b, t := range s.index.care { // copied whole: the order does not matter
		care[b] = t
	}
	if delete(care, bench); tool != "" {
		care[bench] = tool
	}
	s.index.care = care
}

// indexCare finds the benches of open calibrations and checks.
func (s *State) indexCare() {
	s.index.care = map[string]string{}
	for id, n := range s.Tools { // each by itself: the order does not matter
		if n.Calibration != nil {
			s.index.care[n.Calibration.Bench] = id
		}
		if n.Check != nil {
			s.index.care[n.Check.Bench] = id
		}
	}
}
