package ledger

import (
	"fmt"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// minute is the time of the n-th minute of an invented day, 2026-03-02.
func minute(n int) events.Instant { return events.Instant(1_772_438_400_000_000 + int64(n)*60_000_000) }

// script builds a journal by hand.
type script struct {
	entries []events.Entry
	numbers map[string]uint64
}

// add appends one event and returns its sequence.
func (s *script) add(source string, at events.Instant, d events.Data) uint64 {
	if s.numbers == nil {
		s.numbers = map[string]uint64{}
	}
	s.numbers[source]++
	seq := uint64(len(s.entries) + 1)
	s.entries = append(s.entries, events.Entry{Seq: seq, Event: events.Event{
		Source: source, Number: s.numbers[source], Time: at, Data: d}})
	return seq
}

// decide appends the decision on a fact.
func (s *script) decide(cause uint64, at events.Instant, outcomes ...events.OutcomeData) uint64 {
	d := events.Decided{Cause: cause, CauseUs: at, Rules: "1", Outcomes: []events.Outcome{}}
	for _, o := range outcomes {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	return s.add(events.SourceRules, at, d)
}

// stored returns the journal as it comes back from disk: through its JSON.
func (s *script) stored(t testing.TB) []events.Entry {
	t.Helper()
	out := make([]events.Entry, len(s.entries))
	for i, e := range s.entries {
		typ, b, err := events.Encode(e.Data)
		if err != nil {
			t.Fatal(err)
		}
		if e.Data, err = events.Decode(typ, b); err != nil {
			t.Fatal(err)
		}
		out[i] = e
	}
	return out
}

func ask(by, bench string, at events.Instant) events.Ask {
	return events.Ask{By: by, Bench: bench, AtUs: at}
}

// inventedShop is made up.
func inventedShop(due string) events.Shop {
	return events.Shop{
		ID: "fenholt", Name: "Fenholt Driveline", Torque: "lbf.ft", Length: "mm",
		Benches: []events.Bench{{ID: "axle", Name: "Axle bench"}, {ID: "gearbox", Name: "Gearbox bench"}},
		People: []events.Person{
			{ID: "ines", Name: "Ines Okafor", Role: events.RoleTechnician},
			{ID: "tomas", Name: "Tomas Brandt", Role: events.RoleTechnician},
			{ID: "maren", Name: "Maren Holt", Role: events.RoleLead},
		},
		Tools: []events.Tool{
			{ID: "w1", Name: "Wrench 1", Kind: events.ToolTorqueWrench, Serial: "TW-1041",
				Least: quantity.NewtonMetres(10).Value(), Most: quantity.NewtonMetres(100).Value(),
				URel: 0.02, Calibrated: "2025-11-03", Due: due},
			{ID: "i1", Name: "Indicator 1", Kind: events.ToolDialIndicator, Serial: "DI-77",
				Least: quantity.Millimetres(0).Value(), Most: quantity.Millimetres(12.5).Value(),
				UAbs: quantity.Millimetres(0.004).Value(), Calibrated: "2025-12-10", Due: "2026-12-10"},
		},
		Devices: []events.Device{
			{ID: "d-w1", Tool: "w1", Bench: "axle", Profile: "orrin-k2", Port: "/dev/ttyUSB0"},
			{ID: "d-i1", Tool: "i1", Bench: "axle", Profile: "pinn-d3", USBVendor: "0403", USBProduct: "6001", USBSerial: "A1"},
		},
	}
}

// pull is a reading of wrench w1 in lbf·ft.
func pull(n int, text string, poundFeet float64) events.ReadingTaken {
	counter := uint64(500 + n)
	return events.ReadingTaken{Device: "d-w1", Tool: "w1", Bench: "axle", Mode: events.ModePeak, Text: text, Unit: "lbf.ft",
		Value: quantity.PoundFeet(poundFeet).Value(), Resolution: quantity.PoundFeet(0.1).Value(),
		Angle: quantity.Degrees(41.5).Value(), DurationUs: 850_000, ToolCounter: &counter, ToolStatus: "ok", ToolClock: "0812",
		ReceivedAtUs: minute(n), Profile: "orrin-k2@1a2b", Bytes: []byte("K2," + text + "\r\n"), Offset: uint64(10 * n)}
}

// judged is what the rules would say of a pull at a cover bolt.
func judged(reading uint64, r events.ReadingTaken, fastener string, v events.Verdict) events.ReadingJudged {
	return events.ReadingJudged{Reading: reading, Job: "j-1", Step: "cover", Pass: 0, Fastener: fastener, Verdict: v, Grade: events.Counted,
		Value: r.Value, Text: r.Text, Unit: r.Unit, LSL: quantity.PoundFeet(24).Value(), Target: quantity.PoundFeet(26).Value(),
		USL: quantity.PoundFeet(28).Value(), U: r.Value.WithBase(r.Value.Base() * 0.02), Angle: r.Angle, Tool: r.Tool,
		Calibrated: "2025-11-03", Bench: r.Bench, By: "ines", AtUs: r.ReceivedAtUs, Next: "2"}
}

// everything is an invented journal in which each event type and each outcome
// type occurs at least once.
func everything() *script {
	s := new(script)
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	wrench := events.DeviceSource("d-w1")
	dial := events.DeviceSource("d-i1")

	a := desk(minute(0), events.ShopDescribed{Ask: ask("", "", minute(0)), Shop: inventedShop("2026-11-03"), Hash: "aa"})
	s.decide(a, minute(0), events.ShopAdopted{Shop: inventedShop("2026-11-03"), Hash: "aa"})
	a = desk(minute(1), events.ProcedureOffered{Ask: ask("maren", "", minute(1)), Text: "id: RA-210\n", Hash: "bb"})
	s.decide(a, minute(1), events.ProcedureReleased{Procedure: "RA-210", Revision: "B", Title: "Brackwater RA-210", Hash: "bb", Text: "id: RA-210\n", By: "maren", AtUs: minute(1)})
	s.add(wrench, minute(2), events.LinkChanged{Device: "d-w1", Bench: "axle", Port: "/dev/ttyUSB0", State: events.LinkUp, AtUs: minute(2)})
	a = desk(minute(3), events.JobAsked{Ask: ask("ines", "axle", minute(3)), Job: "j-1", UnitSerial: "RA-77120", Customer: "Oswin Haulage", Procedure: "RA-210"})
	s.decide(a, minute(3), events.JobOpened{Job: "j-1", UnitSerial: "RA-77120", Customer: "Oswin Haulage", Procedure: "RA-210", Revision: "B", Hash: "bb", Bench: "axle", By: "ines", AtUs: minute(3)},
		events.DeadlineSet{Job: "j-1", AtUs: minute(13)})
	a = desk(minute(4), events.FastenerPointed{Ask: ask("ines", "axle", minute(4)), Job: "j-1", Step: "cover", Fastener: "1"})
	s.decide(a, minute(4), events.FastenerPlaced{Job: "j-1", Step: "cover", Fastener: "1", By: "ines", AtUs: minute(4)})

	p1 := pull(5, "26.1", 26.1)
	r1 := s.add(wrench, minute(5), p1)
	j := judged(r1, p1, "1", events.Within)
	j.Grade = events.Placed
	s.decide(r1, minute(5), j)
	s.add(wrench, minute(5), events.FrameRepeated{Device: "d-w1", Of: 2, ToolCounter: 505, Bytes: []byte("K2,26.1\r\n"), ReceivedAtUs: minute(5)})
	p2 := pull(6, "29.4", 29.4)
	r2 := s.add(wrench, minute(6), p2)
	s.decide(r2, minute(6), judged(r2, p2, "2", events.High),
		events.AlertRaised{Alert: fmt.Sprintf("A%d-0", r2), Kind: events.AlertHigh, Bench: "axle", Job: "j-1", Step: "cover", Fasteners: []string{"2"}, Reading: r2, Text: "too high", Todo: "ask a lead", Blocks: true, AtUs: minute(6)},
		events.AlertRaised{Alert: fmt.Sprintf("A%d-1", r2), Kind: events.AlertOutOfOrder, Bench: "axle", Job: "j-1", Step: "cover", Text: "out of order", Todo: "look", AtUs: minute(6)})
	a = desk(minute(7), events.AlertAckAsked{Ask: ask("ines", "axle", minute(7)), Alert: fmt.Sprintf("A%d-0", r2)})
	s.decide(a, minute(7), events.AlertAcknowledged{Alert: fmt.Sprintf("A%d-0", r2), By: "ines", AtUs: minute(7)})
	a = desk(minute(8), events.DecisionAsked{Ask: ask("maren", "axle", minute(8)), Job: "j-1", Step: "cover", Fastener: "2", Choice: events.ChoiceRedo, Reason: "slacken and renew"})
	s.decide(a, minute(8), events.FastenerReset{Job: "j-1", Step: "cover", Fastener: "2", By: "maren", Reason: "slacken and renew"},
		events.AlertSettled{Alert: fmt.Sprintf("A%d-0", r2), By: "maren", How: "to be done again", AtUs: minute(8)})
	a = desk(minute(9), events.AlertSettleAsked{Ask: ask("maren", "axle", minute(9)), Alert: fmt.Sprintf("A%d-1", r2), Reason: "no matter here"})
	s.decide(a, minute(9), events.AlertSettled{Alert: fmt.Sprintf("A%d-1", r2), By: "maren", How: "no matter here", AtUs: minute(9)})
	p3 := pull(10, "26.0", 26.0)
	r3 := s.add(wrench, minute(10), p3)
	s.decide(r3, minute(10), judged(r3, p3, "2", events.Doubtful))
	a = desk(minute(11), events.ReadingVoidAsked{Ask: ask("ines", "axle", minute(11)), Reading: r3, Reason: "slipped off"})
	s.decide(a, minute(11), events.ReadingVoided{Reading: r3, Job: "j-1", Step: "cover", Fastener: "2", By: "ines", Reason: "slipped off"},
		events.StepReopened{Job: "j-1", Step: "cover", Why: "a reading was voided"})
	s.add(wrench, minute(12), events.FrameRefused{Device: "d-w1", Tool: "w1", Bench: "axle", Bytes: []byte{0xff, 0x00}, Offset: 99, Reason: "checksum", Detail: "want 3A, got 3B", Profile: "orrin-k2@1a2b", ReceivedAtUs: minute(12)})
	a = s.add(wrench, minute(12), events.CounterGapFound{Device: "d-w1", Tool: "w1", Bench: "axle", After: 505, Next: 507, ReceivedAtUs: minute(12)})
	s.decide(a, minute(12), events.AlertRaised{Alert: fmt.Sprintf("A%d-0", a), Kind: events.AlertCounterGap, Bench: "axle", Job: "j-1", Text: "a reading is missing", Todo: "pull again", AtUs: minute(12)})
	a = s.add(events.SourceClock, minute(13), events.TimeReached{AtUs: minute(13)})
	s.decide(a, minute(13), events.AlertRaised{Alert: fmt.Sprintf("A%d-0", a), Kind: events.AlertMissed, Bench: "axle", Job: "j-1", Step: "cover", Fasteners: []string{"2", "3"}, Text: "bolts 2 and 3 have nothing", Todo: "pull them", Blocks: true, AtUs: minute(13)},
		events.DeadlineSet{Job: "j-1"})
	a = desk(minute(14), events.JobPauseAsked{Ask: ask("ines", "axle", minute(14)), Job: "j-1", Note: "parts missing"})
	s.decide(a, minute(14), events.JobPaused{Job: "j-1", By: "ines", Note: "parts missing", AtUs: minute(14)})

	u1 := s.add(wrench, minute(15), pull(15, "26.4", 26.4))
	s.decide(u1, minute(15), events.ReadingUnplaced{Reading: u1, Bench: "axle", Tool: "w1", Value: quantity.PoundFeet(26.4).Value(), Text: "26.4", Unit: "lbf.ft", AtUs: minute(15), Why: "no job at this bench"})
	u2 := s.add(wrench, minute(16), pull(16, "3.0", 3))
	s.decide(u2, minute(16), events.ReadingUnplaced{Reading: u2, Bench: "axle", Tool: "w1", Value: quantity.PoundFeet(3).Value(), Text: "3.0", Unit: "lbf.ft", AtUs: minute(16), Why: "no job at this bench"})
	a = desk(minute(17), events.JobResumeAsked{Ask: ask("tomas", "gearbox", minute(17)), Job: "j-1"})
	s.decide(a, minute(17), events.JobResumed{Job: "j-1", By: "tomas", Bench: "gearbox", AtUs: minute(17)})
	a = desk(minute(18), events.HandOverAsked{Ask: ask("tomas", "gearbox", minute(18)), Job: "j-1", ToPerson: "ines", ToBench: "axle", Note: "yours"})
	s.decide(a, minute(18), events.JobHandedOver{Job: "j-1", From: "tomas", To: "ines", Bench: "axle", Note: "yours", AtUs: minute(18)})
	a = desk(minute(19), events.ReadingClaimAsked{Ask: ask("ines", "axle", minute(19)), Reading: u1, Job: "j-1", Step: "cover", Fastener: "2", Reason: "pulled before the job was back"})
	jc := judged(u1, pull(15, "26.4", 26.4), "2", events.Within)
	jc.Claimed = "pulled before the job was back"
	s.decide(a, minute(19), jc)
	a = desk(minute(20), events.ReadingDismissAsked{Ask: ask("ines", "axle", minute(20)), Reading: u2, Reason: "tried the wrench"})
	s.decide(a, minute(20), events.ReadingDismissed{Reading: u2, By: "ines", Reason: "tried the wrench"})
	a = desk(minute(21), events.ReleaseAsked{Ask: ask("maren", "", minute(21)), Job: "j-1"})
	s.decide(a, minute(21), events.RequestRefused{Request: "release.asked", Job: "j-1", Code: "open_work", Text: "work is open", Todo: "do it", Items: []string{"cover: bolt 3", "end play"}})
	a = desk(minute(22), events.DecisionAsked{Ask: ask("maren", "axle", minute(22)), Job: "j-1", Step: "cover", Fastener: "3", Choice: events.ChoiceAccept, Reason: "boss broken out, repaired later"})
	s.decide(a, minute(22), events.DeviationAccepted{Job: "j-1", Step: "cover", Fastener: "3", Was: "missed", By: "maren", Reason: "boss broken out, repaired later", AtUs: minute(22)},
		events.StepFinished{Job: "j-1", Step: "cover", By: "maren", AtUs: minute(22)})
	s.add(dial, minute(23), events.SamplesCaptured{Device: "d-i1", Tool: "i1", Bench: "axle", Unit: "mm", Values: []float64{0.12, 0.11, 0.13}, AtUs: []int64{0, 50_000, 100_000}, FirstUs: minute(23), Bytes: []byte("...")})
	m := events.ReadingTaken{Device: "d-i1", Tool: "i1", Bench: "axle", Mode: events.ModeSettled, Text: "0.12", Unit: "mm", UnitAssumed: true, Value: quantity.Millimetres(0.12).Value(), Resolution: quantity.Millimetres(0.01).Value(), ReceivedAtUs: minute(23), Stale: true}
	r4 := s.add(dial, minute(23), m)
	s.decide(r4, minute(23), events.ReadingJudged{Reading: r4, Job: "j-1", Step: "end-play", Verdict: events.Within, Value: m.Value, Text: m.Text, Unit: m.Unit, USL: quantity.Millimetres(0.2).Value(), U: quantity.Millimetres(0.004).Value(), Tool: "i1", Calibrated: "2025-12-10", Bench: "axle", By: "ines", AtUs: minute(23)},
		events.StepFinished{Job: "j-1", Step: "end-play", By: "ines", AtUs: minute(23)})
	typed := events.ReadingTaken{Tool: "i1", Bench: "axle", Mode: events.ModeTyped, Text: "0.10", Unit: "mm", Value: quantity.Millimetres(0.10).Value(), ReceivedAtUs: minute(24), By: "ines", Job: "j-1"}
	r5 := desk(minute(24), typed)
	s.decide(r5, minute(24), events.ReadingUnplaced{Reading: r5, Bench: "axle", Job: "j-1", Tool: "i1", Value: typed.Value, Text: typed.Text, Unit: typed.Unit, AtUs: minute(24), Why: "no open step takes it"})
	a = desk(minute(25), events.StepConfirmAsked{Ask: ask("ines", "axle", minute(25)), Job: "j-1", Step: "seal", Answer: "new seal fitted"})
	s.decide(a, minute(25), events.StepFinished{Job: "j-1", Step: "seal", By: "ines", Answer: "new seal fitted", AtUs: minute(25)})
	a = desk(minute(26), events.ReleaseAsked{Ask: ask("maren", "", minute(26)), Job: "j-1"})
	s.decide(a, minute(26), events.JobReleased{Job: "j-1", By: "maren", AtUs: minute(26)})

	a = desk(minute(27), events.ShopDescribed{Ask: ask("", "", minute(27)), Shop: inventedShop("2027-11-03"), Hash: "cc"})
	s.decide(a, minute(27), events.ShopAdopted{Shop: inventedShop("2027-11-03"), Hash: "cc"})
	a = desk(minute(28), events.JobAsked{Ask: ask("tomas", "gearbox", minute(28)), Job: "j-2", UnitSerial: "RA-77121", Procedure: "RA-210", Revision: "B"})
	s.decide(a, minute(28), events.JobOpened{Job: "j-2", UnitSerial: "RA-77121", Procedure: "RA-210", Revision: "B", Hash: "bb", Bench: "gearbox", By: "tomas", AtUs: minute(28)})
	a = desk(minute(29), events.AbandonAsked{Ask: ask("maren", "", minute(29)), Job: "j-2", Reason: "case cracked"})
	s.decide(a, minute(29), events.JobAbandoned{Job: "j-2", By: "maren", Reason: "case cracked", AtUs: minute(29)})
	s.add(wrench, minute(30), events.LinkChanged{Device: "d-w1", Bench: "axle", Port: "/dev/ttyUSB0", State: events.LinkDown, Detail: "unplugged; plug it in", AtUs: minute(30)})
	s.weighed()
	s.toolCare()
	s.attested()
	s.shims()
	inventedParts(s, desk)
	s.recalled()
	s.measured()
	s.add("notice", minute(90), events.NoticeTried{Alert: "A9-0", Route: "horn", Way: "relay", Result: events.NoticeFailed, Try: 1, Detail: "no such port", AtUs: minute(90)})
	s.add("box/axle", minute(90), events.BoxLinkChanged{Box: "axle-box", Up: true, Came: 3, Detail: "connected from 192.0.2.9", AtUs: minute(90)})
	s.add("box/axle", minute(90), events.ClockCompared{Box: "axle-box", AheadUs: -240e6, RoundTripUs: 400, LimitUs: 30e6, AtUs: minute(90)})
	stepped := s.add(events.SourceClockSet, minute(90), events.ClockStepped{FromUs: minute(90), ToUs: minute(30), ByUs: -3600e6, AtUs: minute(90)})
	s.add(events.SourceRestore, minute(90), events.ShopRestored{Backup: "0123456789abcdef", Manifest: "ab12", Last: 40, Sealed: 30, MadeUs: minute(60), RestoredUs: minute(80), By: "wm", AtUs: minute(90)})
	s.add(events.SourceRules, minute(90), events.Decided{Cause: stepped, CauseUs: minute(90), Rules: "1", Outcomes: []events.Outcome{
		{Data: events.JobNoted{Job: "j-1", Kind: events.NotedClock, Text: "a note", AtUs: minute(90)}}}})
	s.add("device/box-1", minute(90), events.ArrivalMissing{Box: "axle-box", AtUs: minute(90)})
	s.add("device/box-1", minute(90), events.ArrivalRefused{Box: "axle-box", Source: "device/box-1", Number: 2, Type: "rules.decided", Why: events.ArrivalForeign, Detail: "no capture", Bytes: []byte("{}"), AtUs: minute(90)})
	late := s.add("box/axle", minute(90), events.ArrivalsLate{Box: "axle-box", Source: "device/box-1", From: 3, To: 3, AtUs: minute(90)})
	s.add(events.SourceRules, minute(90), events.Decided{Cause: late, CauseUs: minute(90), Rules: "1", Outcomes: []events.Outcome{
		{Data: events.LatenessNoted{Box: "axle-box", Source: "device/box-1", From: 3, To: 3, AtUs: minute(90)}}, {Data: events.BoxNoted{Box: "axle-box", AtUs: minute(90)}},
		{Data: events.ReadingCameLate{Reading: 13, Box: "axle-box", Bench: "axle", Tool: "k2", Job: "j-1", TakenUs: minute(30), ArrivedUs: minute(90)}}}})
	s.add("access", minute(90), events.AccessRefused{Why: events.RefusedRole, What: "release.asked", Person: "ines", Role: events.RoleTechnician, Device: "axle-1", From: "192.0.2.7", Times: 3, SinceUs: minute(89), AtUs: minute(90)})
	s.add("access", minute(90), events.AccessChanged{What: events.AccessDeviceAdded, Device: "axle-1", Bench: "axle", By: "maren", From: "192.0.2.4", AtUs: minute(90)})
	s.add("seal", minute(90), events.SealMade{Size: uint64(len(s.entries)), Root: "cm9vdA==", Note: "a signed note", Key: "witnessmark/fenholt+01234567", Why: "release", Job: "j-1", AtUs: minute(90)})
	s.add(events.DeviceSource("d-p1"), minute(91), events.ForceRising{Device: "d-p1", Tool: "p1", Bench: "axle", Text: "9.10", Unit: "kN", Value: quantity.Of(9.1, quantity.Kilonewton), SinceUs: 1_200_000, AtUs: minute(91)})
	s.add(events.DeviceSource("d-i2"), minute(91), events.SamplesCaptured{Device: "d-i2", Tool: "i2", Bench: "axle", Unit: "mm", Values: []float64{13.9}, AtUs: []int64{0}, FirstUs: minute(91), Bytes: []byte("..."), Status: "out_of_range"})
	s.remove(minute(92), func(e events.Entry) bool { _, is := e.Data.(events.ForceRising); return is })
	return s
}

// traced is a pull of wrench w1 with its trace.
func traced(n int, text string, poundFeet float64) events.ReadingTaken {
	r := pull(n, text, poundFeet)
	r.Trace = &events.Trace{PeriodUs: 1200, Torque: []float64{5, 20, 35}, Angle: []float64{0, 12, 25}}
	return r
}

// weight is what a pull in job j-3 was taken for.
func weight(reading uint64, r events.ReadingTaken, es ...events.Explanation) events.PullWeighed {
	return events.PullWeighed{Reading: reading, Job: "j-3", Step: "cover", Explanations: es, Tool: r.Tool, AtUs: r.ReceivedAtUs,
		Torque: r.Value, Angle: r.Angle, DurationUs: r.DurationUs}
}

// weighed adds job j-3, whose pulls are weighed: the second is first taken for
// bolt 2, and after the third for a repeat on bolt 1.
func (s *script) weighed() {
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	wrench := events.DeviceSource("d-w1")
	a := desk(minute(40), events.JobAsked{Ask: ask("ines", "axle", minute(40)), Job: "j-3", UnitSerial: "RA-77122", Procedure: "RA-210"})
	s.decide(a, minute(40), events.JobOpened{Job: "j-3", UnitSerial: "RA-77122", Procedure: "RA-210", Revision: "B", Hash: "bb", Weighed: true, Bench: "axle", By: "ines", AtUs: minute(40)})
	weigh := func(n int, text string, value float64, fastener string, more ...events.OutcomeData) uint64 {
		r := traced(n, text, value)
		seq := s.add(wrench, minute(n), r)
		j := judged(seq, r, fastener, events.Within)
		j.Job, j.Grade, j.P = "j-3", events.Reasoned, 0.97
		w := weight(seq, r, events.Explanation{Kind: events.ExplainedNext, Fastener: fastener, P: 0.97}, events.Explanation{Kind: events.ExplainedRepeat, Fastener: "1", P: 0.03})
		w.Trace = &events.TraceFound{Samples: 3, RateHz: 833, Peak: r.Value, Findings: []string{"click"}}
		s.decide(seq, minute(n), append([]events.OutcomeData{j, w}, more...)...)
		return seq
	}
	weigh(41, "26.2", 26.2, "1", events.WitnessWeighed{Job: "j-3", Step: "cover", AllTight: 0.97,
		Fasteners: []events.FastenerWeight{{Fastener: "1", P: 0.97, Grade: events.Reasoned}, {Fastener: "2"}}})
	second := weigh(42, "26.3", 26.3, "2")
	p2 := traced(42, "26.3", 26.3)
	p3 := traced(43, "26.4", 26.4)
	third := s.add(wrench, minute(43), p3)
	j := judged(third, p3, "2", events.Within)
	j.Job, j.Grade, j.P = "j-3", events.Reasoned, 0.93
	last := weight(third, p3, events.Explanation{Kind: events.ExplainedNext, Fastener: "2", P: 0.93}, events.Explanation{Kind: events.ExplainedNowhere, P: 0.07})
	last.Placed, last.Lost = "2", 1
	s.decide(third, minute(43), j, last,
		weight(second, p2, events.Explanation{Kind: events.ExplainedRepeat, Fastener: "1", P: 0.9}, events.Explanation{Kind: events.ExplainedNext, Fastener: "2", P: 0.1}),
		events.PullSetAside{Reading: second, Job: "j-3", Step: "cover", Kind: events.ExplainedRepeat, Fastener: "1", P: 0.9, Why: "bolt 1 was tight and hardly turned",
			Bench: "axle", Tool: "w1", Value: p2.Value, Text: p2.Text, Unit: p2.Unit, Angle: p2.Angle, By: "ines", AtUs: p2.ReceivedAtUs},
		events.CyclesLost{Job: "j-3", Step: "cover", Tool: "w1", Cycles: 1, AtUs: minute(43)},
		events.WitnessWeighed{Job: "j-3", Step: "cover", AllTight: 0.9,
			Fasteners: []events.FastenerWeight{{Fastener: "1", P: 0.995, Grade: events.Reasoned}, {Fastener: "2", P: 0.93, Grade: events.Counted}}},
		events.AlertRaised{Alert: fmt.Sprintf("A%d-0", third), Kind: events.AlertRepeat, Bench: "axle", Job: "j-3", Step: "cover", Fasteners: []string{"2", "1"}, Reading: second,
			Likely: []events.FastenerWeight{{Fastener: "2", P: 0.07}, {Fastener: "1", P: 0.005}}, P: 0.9, Text: "pulled again", Todo: "pull bolt 2", AtUs: minute(43)},
		events.QuestionAsked{Question: fmt.Sprintf("Q%d", third), Job: "j-3", Bench: "axle", Step: "cover", Reading: second, Text: "Was that bolt 1 again?",
			Choices: []events.Choice{{Key: "yes", Text: "Bolt 1 again", Kind: events.ExplainedRepeat, Fastener: "1"}, {Key: "no", Text: "Bolt 2", Kind: events.ExplainedNext, Fastener: "2"}}, AtUs: minute(43)})
	a = desk(minute(44), events.QuestionAnswered{Ask: ask("ines", "axle", minute(44)), Job: "j-3", Question: fmt.Sprintf("Q%d", third), Choice: "yes"})
	s.decide(a, minute(44), events.QuestionSettled{Question: fmt.Sprintf("Q%d", third), Job: "j-3", By: "ines", Choice: "yes", How: "answered: bolt 1 again", AtUs: minute(44)},
		weight(second, p2, events.Explanation{Kind: events.ExplainedRepeat, Fastener: "1", P: 0.99}))
	a = desk(minute(45), events.LearningForgetAsked{Ask: ask("maren", "", minute(45)), Procedure: "RA-210", Step: "cover", Reason: "bolts of another lot"})
	s.decide(a, minute(45), events.LearningForgotten{Procedure: "RA-210", Step: "cover", By: "maren", Reason: "bolts of another lot", AtUs: minute(45)})
	a = desk(minute(46), events.ResidualAuditAsked{Ask: ask("maren", "axle", minute(46)), Job: "j-3", Step: "cover", Fastener: "1", Method: events.ResidualTighten})
	s.decide(a, minute(46), events.ResidualAuditOpened{Job: "j-3", Step: "cover", Fastener: "1", Method: events.ResidualTighten, By: "maren", AtUs: minute(46)})
	a = desk(minute(46), events.ClosingTurnReported{Ask: ask("ines", "axle", minute(46)), Job: "j-3", Step: "cover", Fastener: "1"})
	s.decide(a, minute(46), events.RequestRefused{Request: "closing_turn.reported", Job: "j-3", Code: "not_in_closing", Text: "fastener 1 has no pull in a closing round", Todo: "Pull it once more in the closing round."})
	p4 := pull(47, "27.0", 27)
	r := s.add(wrench, minute(47), p4)
	s.decide(r, minute(47), events.ResidualJudged{Reading: r, Job: "j-3", Step: "cover", Fastener: "1", Method: events.ResidualTighten, Residual: p4.Value,
		U: quantity.NewtonMetres(1.1).Value(), Installed: quantity.PoundFeet(26.2).Value(), Low: quantity.PoundFeet(22).Value(), High: quantity.PoundFeet(31).Value(),
		Agrees: true, Text: "agrees with the installation", By: "maren", AtUs: minute(47)})
}

// typesIn returns the written types of all events and outcomes.
func typesIn(entries []events.Entry) map[string]bool {
	seen := map[string]bool{}
	for _, e := range entries {
		name, _ := e.Data.EventType()
		seen[name] = true
		if d, ok := e.Data.(events.Decided); ok {
			for _, o := range d.Outcomes {
				name, _ := o.Data.OutcomeType()
				seen["outcome "+name] = true
			}
		}
	}
	return seen
}
