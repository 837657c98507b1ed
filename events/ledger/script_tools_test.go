package ledger

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// toolCare adds what happens to a tool: a calibration, a check, a certificate,
// and what people decide about it. All figures are invented.
func (s *script) toolCare() {
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	wrench := events.DeviceSource("d-w1")
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	by := func(n int) events.Ask { return ask("petra", "axle", minute(n)) }

	a := desk(minute(50), events.ToolMoveAsked{Ask: by(50), Tool: "w1", State: events.ToolQuarantined, Place: "cage", Reason: "dropped"})
	s.decide(a, minute(50), events.ToolMoved{Tool: "w1", State: events.ToolQuarantined, Place: "cage", By: "petra", Reason: "dropped", AtUs: minute(50)})
	a = desk(minute(51), events.CalibrationAsked{Ask: by(51), Tool: "w1", Reference: "b1", Phase: events.PhaseFound})
	plan := []events.CalibrationPair{{Point: nm(100), Direction: "cw", Preload: true}, {Point: nm(10), Direction: "cw"}}
	s.decide(a, minute(51), events.CalibrationOpened{Calibration: "C51", Tool: "w1", Reference: "b1", Bench: "axle", Phase: events.PhaseFound, Rule: "guard",
		Plan: plan, WithinUs: 60_000_000, Note: []string{"the reference is due in 9 days"}, By: "petra", AtUs: minute(51)})
	p := pull(52, "73.8", 73.8)
	r := s.add(wrench, minute(52), p)
	half := plan[0]
	half.Tool, half.ToolReading = p.Value, r
	s.decide(r, minute(52), events.CycleOverloaded{Reading: r, Tool: "w1", Value: p.Value, Status: "over", AtUs: minute(52)},
		events.CalibrationTaken{Calibration: "C51", Tool: "w1", Row: 0, Pair: half, By: "petra", AtUs: minute(52)})
	r = s.add(wrench, minute(53), p)
	s.decide(r, minute(53), events.ReadingPassedOver{Reading: r, Calibration: "C51", Tool: "w1", Taker: "w1", Value: p.Value, Text: p.Text, Unit: p.Unit,
		Why: "a second reading of the tool", AtUs: minute(53)})
	a = desk(minute(54), events.CalibrationUndoAsked{Ask: by(54), Reason: "slipped"})
	s.decide(a, minute(54), events.CalibrationUndone{Calibration: "C51", Tool: "w1", Row: 0, By: "petra", Reason: "slipped"})
	a = desk(minute(55), events.CalibrationPairAsked{Ask: by(55), Tool: nm(100), ToolUnit: "N.m", Reference: nm(101)})
	typed := plan[0]
	typed.Tool, typed.Reference, typed.Typed = nm(100), nm(101), true
	s.decide(a, minute(55), events.CalibrationTaken{Calibration: "C51", Tool: "w1", Row: 0, Pair: typed, By: "petra", AtUs: minute(55)})
	a = desk(minute(56), events.CalibrationCloseAsked{Ask: by(56), Interface: 0.2})
	results := []events.CalibrationResult{{Point: nm(10), Direction: "cw", N: 5, Unit: "%", Deviation: -1.2, Least: -1.5, Most: -0.9, U: 0.8, Permitted: 4, Accept: 3.2, P: 1,
		Standing: events.StandingGood, Budget: []events.BudgetLine{{Name: "reference", Source: "certificate, k = 2", Type: "B", Shape: "normal", Stated: 0.5, U: 0.25, Share: 0.4}}}}
	s.decide(a, minute(56), events.CalibrationJudged{Calibration: "C51", Tool: "w1", Reference: "b1", Bench: "axle", Phase: events.PhaseFound, Rule: "guard", Pairs: []events.CalibrationPair{typed},
		Results: results, K: 2, Standing: events.StandingGood, Note: []string{"4 readings are missing"}, Date: "2026-03-02", Due: "2027-03-02", Cycles: 812, By: "petra", AtUs: minute(56)})
	a = desk(minute(57), events.CalibrationDropAsked{Ask: by(57), Reason: "bench needed"})
	s.decide(a, minute(57), events.CalibrationDropped{Calibration: "C57", Tool: "i1", By: "petra", Reason: "bench needed", AtUs: minute(57)})
	a = desk(minute(58), events.CheckAsked{Ask: ask("ines", "axle", minute(58)), Tool: "w1", Reference: "b1", Point: nm(60)})
	s.decide(a, minute(58), events.CheckOpened{Check: "K58", Tool: "w1", Reference: "b1", Bench: "axle", Point: nm(60), Pulls: 3, WithinUs: 60_000_000, By: "ines", AtUs: minute(58)})
	r = s.add(wrench, minute(59), pull(59, "44.5", 44.5))
	s.decide(r, minute(59), events.CheckTaken{Check: "K58", Tool: "w1", Pair: events.CalibrationPair{Point: nm(60), Tool: nm(60.33), ToolReading: r, Reference: nm(60), ReferenceReading: r + 1}, AtUs: minute(59)},
		events.CheckJudged{Check: "K58", Tool: "w1", Reference: "b1", Bench: "axle", Point: nm(60), Deviations: []float64{0.5, 0.6, 0.4}, Deviation: 0.5, U: 0.6, Permitted: 4,
			Expected: 0.3, Room: 0.9, History: 6, Standing: events.StandingGood, Why: "as usual", Cycles: 815, By: "ines", AtUs: minute(59)})
	a = desk(minute(60), events.CheckDropAsked{Ask: ask("ines", "axle", minute(60)), Reason: "called away"})
	s.decide(a, minute(60), events.CheckDropped{Check: "K60", Tool: "w1", By: "ines", Reason: "called away"})
	a = desk(minute(61), events.CertificateAsked{Ask: by(61), Certificate: "TR-2210", Tool: "w1", Laboratory: "an invented laboratory", Phase: events.PhaseLeft, Date: "2026-03-01", Standing: events.StandingGood})
	s.decide(a, minute(61), events.CertificateEntered{Certificate: "TR-2210", Tool: "w1", Laboratory: "an invented laboratory", Phase: events.PhaseLeft, Date: "2026-03-01", Due: "2027-03-01",
		Results: results, K: 2, Standing: events.StandingGood, File: "tr-2210.pdf", FileHash: "dd", FileSize: 48_120, Cycles: 815, By: "petra", AtUs: minute(61)})
	a = desk(minute(62), events.ToolAdjustAsked{Ask: by(62), Tool: "w1", What: "spring renewed"})
	s.decide(a, minute(62), events.ToolAdjusted{Tool: "w1", What: "spring renewed", By: "petra", Cycles: 815, AtUs: minute(62)})
	a = desk(minute(63), events.OverrideAsked{Ask: ask("maren", "axle", minute(63)), Tool: "w1", Job: "j-3", Reason: "no other here"})
	s.decide(a, minute(63), events.OverrideGiven{Tool: "w1", Job: "j-3", Was: "it is in quarantine", By: "maren", Reason: "no other here", AtUs: minute(63)})
	a = desk(minute(64), events.ReadingAssignAsked{Ask: ask("maren", "", minute(64)), Reading: r, Tool: "w1", Reason: "new cable"})
	s.decide(a, minute(64), events.ReadingAssigned{Reading: r, Tool: "w1", By: "maren", Reason: "new cable", AtUs: minute(64)})
}
