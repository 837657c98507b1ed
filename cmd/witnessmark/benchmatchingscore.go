package main

import (
	"slices"

	"witnessmark/events"
	"witnessmark/simulator/labelled"
)

// caseScore is what one judged job is worth.
type caseScore struct {
	job       string
	tier      labelled.Tier
	taught    bool
	clean     bool
	several   bool // more than one fault
	faults    []faultScore
	alarms    []string // kinds of the alerts in a clean job
	notSure   int      // fasteners of a clean job that are not witnessed
	refused   bool     // release of a clean job
	questions int
	counted   bool // counting alone says that something is wrong
	pulls     int
	odds      float64 // that a fastener was left out, by the evidence
}

// wrong tells whether a clean job had an alert, or a fault has none that
// answers it.
func (c *caseScore) wrong() bool {
	return c.clean && len(c.alarms) > 0 || slices.ContainsFunc(c.faults, func(f faultScore) bool { return !f.found })
}

// faultScore is what was said of one fault.
type faultScore struct {
	fault    labelled.Fault
	masked   bool
	closing  bool // a closing round followed: what was left out is tight
	found    bool // an alert of a right kind in the right step
	stopped  bool // release was refused
	noUnit   bool // a unit slip of a tool that tells no unit
	alone    bool // the right fastener is named first, with no other as likely
	three    bool // it is among the first three named
	delay    int  // pulls from when it could be known
	counted  bool // counting finds it
	ratio    float64
	topAlone bool // of the best possible
	topThree bool
}

// right lists the alerts that answer a fault. Without any, the right answer is
// to raise no alarm that a fastener was missed.
var right = map[labelled.Fault][]events.AlertKind{
	labelled.PlainMiss:     {events.AlertMissed, events.AlertRepeat},
	labelled.MaskedTwice:   {events.AlertMissed, events.AlertRepeat},
	labelled.MaskedLost:    {events.AlertMissed, events.AlertRepeat},
	labelled.MaskedCounted: {events.AlertMissed, events.AlertRepeat},
	labelled.OrderError:    {events.AlertOutOfOrder},
	labelled.WrongStep:     {events.AlertMissed, events.AlertOutOfOrder, events.AlertStepSkipped, events.AlertUnplaced},
	labelled.LeftEarly:     {events.AlertMissed},
	labelled.UnitSlip:      {events.AlertUnitSlip, events.AlertHigh},
	labelled.OverTorque:    {events.AlertHigh, events.AlertUnplaced},
	labelled.UnderTorque:   {events.AlertLow, events.AlertMissed},
	labelled.Seized:        {events.AlertSeized, events.AlertRepeat},
	labelled.Stripping:     {events.AlertYield, events.AlertLow},
	labelled.LostReading:   {events.AlertCounterGap, events.AlertMissed},
	labelled.LostRepulled:  nil,
	labelled.SameCycle:     nil,
	labelled.Elsewhere:     nil,
	labelled.Retightened:   nil,
	labelled.ZeroShift:     {events.AlertZeroShift},
}

// scoreCase scores a job; with best, also the best possible for its masked
// miss.
func scoreCase(c *matchCase, best bool) caseScore {
	s := c.sample
	out := caseScore{
		job: s.Head.Job.ID, tier: s.Truth.Tier, taught: c.taught, clean: s.Truth.Clean(), several: len(s.Truth.Faults) > 1,
		questions: len(c.judged.Questions), pulls: len(s.Readings),
	}
	out.odds = c.odds()
	over, short := s.Counted()
	out.counted = over+short > 0
	if out.clean {
		for i := range c.judged.Alerts {
			out.alarms = append(out.alarms, c.judged.Alerts[i].Kind)
		}
		for i := range c.judged.Fasteners {
			if c.judged.Fasteners[i].Claim != claimWitnessed {
				out.notSure++
			}
		}
		out.refused = c.judged.Release.Asked && !c.judged.Release.Granted
	}
	for _, f := range s.Truth.Faults {
		x := scoreFault(c, f)
		x.counted = short > 0 && !f.Fault.Masked()
		if best && x.masked && !out.several && !x.closing {
			b := s.Best(c.taught)
			x.ratio = b.Ratio
			k := slices.IndexFunc(b.Missed, func(m labelled.Candidate) bool { return m.Step == f.Step && m.Fastener == f.Fastener })
			x.topAlone, x.topThree = k == 0, k >= 0 && k < 3
		}
		out.faults = append(out.faults, x)
	}
	return out
}

// odds are the greatest of those that a fastener was left out, over the joints
// without a closing round.
func (c *matchCase) odds() float64 {
	job := c.judged.job
	most := 0.0
	for i := range job.Proc.Steps {
		id := job.Proc.Steps[i].ID
		if m, ok := job.Missed(id); ok && !c.sample.Closing(id) {
			most = max(most, m.Odds)
		}
	}
	return most
}

func scoreFault(c *matchCase, f labelled.FaultTruth) faultScore {
	x := faultScore{fault: f.Fault, masked: f.Fault.Masked(), stopped: !c.judged.Release.Granted}
	x.closing, x.noUnit = c.sample.Closing(f.Step), f.NoUnit
	kinds := right[f.Fault]
	if kinds != nil && x.closing { // one pull short of two rounds: which of them was short, nobody knows
		kinds = append(slices.Clone(kinds), events.AlertClosing)
	}
	if kinds == nil {
		x.found = !slices.ContainsFunc(c.judged.Alerts, func(a judgedAlert) bool { return a.Kind == string(events.AlertMissed) })
		return x
	}
	for i := range c.judged.Alerts {
		a := &c.judged.Alerts[i]
		if !slices.Contains(kinds, events.AlertKind(a.Kind)) || a.Step != "" && a.Step != f.Step && f.Fault != labelled.WrongStep {
			continue
		}
		if !x.found { // alerts come in order of time
			x.found = true
			at := a.Pull - 1
			if a.Trigger != triggerPull {
				at = a.After
			}
			x.delay = at - f.Knowable
		}
		alone, three := names(a, f.Fastener)
		x.alone, x.three = x.alone || alone, x.three || three
	}
	return x
}

// names tells whether an alert names a fastener first, and among three.
func names(a *judgedAlert, fastener string) (first, three bool) {
	if len(a.Candidates) > 0 {
		list := slices.Clone(a.Candidates)
		slices.SortStableFunc(list, func(x, y judgedWeight) int {
			switch {
			case x.P > y.P:
				return -1
			case x.P < y.P:
				return 1
			}
			return 0
		})
		k := slices.IndexFunc(list, func(w judgedWeight) bool { return w.Fastener == fastener })
		return k == 0, k >= 0 && k < 3
	}
	k := slices.Index(a.Fasteners, fastener)
	return k == 0 && len(a.Fasteners) == 1, k >= 0 && len(a.Fasteners) <= 3
}
