package record

import (
	"path/filepath"
	"testing"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// procedureText is invented, as is everything in these stories.
const procedureText = `# Invented: for tests only.
procedure: RA-210
revision: B
title: "Brackwater RA-210: rear cover"
unit: Brackwater RA-210
faces:
  - id: cover
    title: Rear cover
    outlines:
      - {shape: circle, r: 150, style: body}
steps:
  - id: kit
    title: Parts kit
    kind: parts
    text: [Lay out the kit.]
    statement: All parts are new.
  - id: end-play
    title: End play
    kind: measure
    face: cover
    text: [Rock the gear.]
    what: end play
    limits: {low: 0.05 mm, high: 0.20 mm}
    tools: [dial_indicator]
  - id: cover
    title: Rear cover
    kind: torque
    face: cover
    text: [Fit the cover.]
    class: B
    thread: M10x1.5
    strength: "8.8"
    lubrication: oiled
    into: cast iron
    fasteners:
      - {rectangle: {width: 200, height: 120, across: 2, down: 2}, head: 17.8}
    order: cross
    tools: [torque_wrench]
    covers: [end-play]
    passes:
      - {name: snug, target: 25 N·m, limits: ± 20 %}
      - {name: final, target: 45 N·m, limits: ± 10 %}
`

// story builds a journal about job j-1, minute by minute.
type story struct {
	entries []events.Entry
	numbers map[string]uint64
	at      events.Instant
	judged  int
}

func (s *story) add(source string, d events.Data) uint64 {
	s.numbers[source]++
	seq := uint64(len(s.entries) + 1)
	s.entries = append(s.entries, events.Entry{Seq: seq, Event: events.Event{Source: source, Number: s.numbers[source], Time: s.at, Data: d}})
	return seq
}

// decide appends the decision on a fact and moves on a minute.
func (s *story) decide(cause uint64, outcomes ...events.OutcomeData) uint64 {
	d := events.Decided{Cause: cause, CauseUs: s.at, Rules: "1"}
	for _, o := range outcomes {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	seq := s.add(events.SourceRules, d)
	s.at += 60_000_000
	return seq
}

func (s *story) asks(by string) events.Ask { return events.Ask{By: by, Bench: "axle", AtUs: s.at} }

func newStory() *story { return storyWith(procedureText) }

func storyWith(procedure string) *story {
	s := &story{numbers: map[string]uint64{}, at: 1_772_438_400_000_000} // 2026-03-02 08:00 UTC
	shop := events.Shop{
		ID: "fenholt", Name: "Fenholt Driveline", Torque: "lbf.ft", Length: "mm",
		Benches: []events.Bench{{ID: "axle", Name: "Axle bench"}},
		People: []events.Person{{ID: "ines", Name: "Ines Okafor", Role: events.RoleTechnician},
			{ID: "tomas", Name: "Tomas Brandt", Role: events.RoleTechnician}, {ID: "maren", Name: "Maren Holt", Role: events.RoleLead}},
		Tools: []events.Tool{
			{ID: "w1", Name: "Wrench 1", Kind: events.ToolTorqueWrench, Serial: "TW-1041", Most: quantity.NewtonMetres(100).Value(), URel: 0.02, Calibrated: "2025-11-03", Due: "2026-11-03"},
			{ID: "i1", Name: "Indicator 1", Kind: events.ToolDialIndicator, Serial: "DI-77", Most: quantity.Millimetres(12.5).Value(), Calibrated: "2025-12-10", Due: "2026-12-10"},
		},
	}
	a := s.add(events.SourceDesk, events.ShopDescribed{Ask: s.asks(""), Shop: shop, Hash: "aa"})
	s.decide(a, events.ShopAdopted{Shop: shop, Hash: "aa"})
	a = s.add(events.SourceDesk, events.ProcedureOffered{Ask: s.asks("maren"), Text: procedure, Hash: "b1b2"})
	s.decide(a, events.ProcedureReleased{Procedure: "RA-210", Revision: "B", Title: "Brackwater RA-210: rear cover", Hash: "b1b2", Text: procedure, By: "maren", AtUs: s.at})
	a = s.add(events.SourceDesk, events.JobAsked{Ask: s.asks("ines"), Job: "j-1", UnitSerial: "RA-77120", Customer: "Oswin Haulage", Procedure: "RA-210"})
	s.decide(a, events.JobOpened{Job: "j-1", UnitSerial: "RA-77120", Customer: "Oswin Haulage", Procedure: "RA-210", Revision: "B", Hash: "b1b2", Bench: "axle", By: "ines", AtUs: s.at})
	return s
}

// limitsOf are those of procedureText, by hand: 25 N·m ± 20 % and 45 N·m ± 10 %.
var limitsOf = [][3]float64{{20, 25, 30}, {40.5, 45, 49.5}}

// take appends a pull, in N·m, without its decision.
func (s *story) take(nm float64, text string) (uint64, events.ReadingTaken) {
	r := events.ReadingTaken{Device: "d-w1", Tool: "w1", Bench: "axle", Mode: events.ModePeak, Text: text, Unit: "N.m",
		Value: quantity.NewtonMetres(nm).Value(), ToolStatus: "ok", ReceivedAtUs: s.at}
	return s.add("device/d-w1", r), r
}

func (s *story) judgement(reading uint64, r events.ReadingTaken, step, fastener string, pass int, v events.Verdict) events.ReadingJudged {
	s.judged++
	l := limitsOf[pass]
	return events.ReadingJudged{Reading: reading, Job: "j-1", Step: step, Pass: pass, Fastener: fastener, Verdict: v, Grade: events.Counted,
		Value: r.Value, Text: r.Text, Unit: r.Unit, LSL: quantity.NewtonMetres(l[0]).Value(), Target: quantity.NewtonMetres(l[1]).Value(),
		USL: quantity.NewtonMetres(l[2]).Value(), U: quantity.NewtonMetres(0.02 * r.Value.Base()).Value(), Tool: "w1",
		Calibrated: "2025-11-03", Bench: "axle", By: "ines", AtUs: s.at}
}

// pull appends a pull and its decision, and returns the reading's sequence.
func (s *story) pull(step, fastener string, pass int, nm float64, text string, v events.Verdict, more ...events.OutcomeData) uint64 {
	seq, r := s.take(nm, text)
	s.decide(seq, append([]events.OutcomeData{s.judgement(seq, r, step, fastener, pass, v)}, more...)...)
	return seq
}

// latePull is a pull that a bench box kept for eleven minutes.
func (s *story) latePull(step, fastener string, pass int, nm float64, text string, v events.Verdict) {
	seq, r := s.take(nm, text)
	s.decide(seq, events.ReadingCameLate{Reading: seq, Box: "box-1", Bench: "axle", Tool: "w1", Job: "j-1", TakenUs: s.at, ArrivedUs: s.at + 660_000_000},
		s.judgement(seq, r, step, fastener, pass, v))
}

func (s *story) measure(mm float64, text string, v events.Verdict, more ...events.OutcomeData) {
	r := events.ReadingTaken{Device: "d-i1", Tool: "i1", Bench: "axle", Mode: events.ModeSettled, Text: text, Unit: "mm",
		Value: quantity.Millimetres(mm).Value(), UnitAssumed: true, ReceivedAtUs: s.at}
	seq := s.add("device/d-i1", r)
	s.judged++
	s.decide(seq, append([]events.OutcomeData{events.ReadingJudged{Reading: seq, Job: "j-1", Step: "end-play", Verdict: v, Value: r.Value, Text: text, Unit: "mm",
		LSL: quantity.Millimetres(0.05).Value(), USL: quantity.Millimetres(0.2).Value(), U: quantity.Millimetres(0.004).Value(), Tool: "i1",
		Calibrated: "2025-12-10", Bench: "axle", By: "ines", AtUs: s.at}}, more...)...)
}

func (s *story) ask(by string, d func(events.Ask) events.Data, outcomes ...events.OutcomeData) {
	seq := s.add(events.SourceDesk, d(s.asks(by)))
	s.decide(seq, outcomes...)
}

// halfway is the job with much that went wrong, still open.
func halfway() *story {
	s := newStory()
	s.ask("ines", func(a events.Ask) events.Data {
		return events.StepConfirmAsked{Ask: a, Job: "j-1", Step: "kit", Answer: "lot 4471"}
	}, events.StepFinished{Job: "j-1", Step: "kit", By: "ines", Answer: "lot 4471", AtUs: s.at})
	s.measure(0.24, "0.24", events.High)
	s.measure(0.12, "0.12", events.Within, events.StepFinished{Job: "j-1", Step: "end-play", By: "ines", AtUs: s.at})
	s.pull("cover", "1", 0, 18.2, "18.2", events.Low)
	s.latePull("cover", "1", 0, 25.1, "25.1", events.Within)
	mistaken := s.pull("cover", "4", 0, 24.8, "24.8", events.Within)
	s.ask("ines", func(a events.Ask) events.Data {
		return events.ReadingVoidAsked{Ask: a, Reading: mistaken, Reason: "tried the socket on the bench vice"}
	}, events.ReadingVoided{Reading: mistaken, Job: "j-1", Step: "cover", Fastener: "4", By: "ines", Reason: "tried the socket on the bench vice"})
	s.pull("cover", "4", 0, 25.3, "25.3", events.Within)

	seq, r := s.take(33.7, "33.7")
	high := s.judgement(seq, r, "cover", "2", 0, events.High)
	high.Held = true
	s.decide(seq, high, events.AlertRaised{Alert: "A1-0", Kind: events.AlertHigh, Bench: "axle", Job: "j-1", Step: "cover", Fasteners: []string{"2"}, Reading: seq,
		Text: "Bolt 2 got 33.7 N·m, above its limit of 30 N·m.", Todo: "A lead decides.", Blocks: true, AtUs: s.at})
	s.ask("ines", func(a events.Ask) events.Data { return events.AlertAckAsked{Ask: a, Alert: "A1-0"} },
		events.AlertAcknowledged{Alert: "A1-0", By: "ines", AtUs: s.at})
	s.ask("maren", func(a events.Ask) events.Data {
		return events.DecisionAsked{Ask: a, Job: "j-1", Step: "cover", Fastener: "2", Choice: events.ChoiceRedo, Reason: "renew the bolt"}
	}, events.FastenerReset{Job: "j-1", Step: "cover", Fastener: "2", By: "maren", Reason: "renew the bolt"},
		events.AlertSettled{Alert: "A1-0", By: "maren", How: "the bolt is to be done again", AtUs: s.at})
	s.ask("ines", func(a events.Ask) events.Data {
		return events.JobPauseAsked{Ask: a, Job: "j-1", Note: "bolt 2 is out"}
	},
		events.JobPaused{Job: "j-1", By: "ines", Note: "bolt 2 is out", AtUs: s.at})
	return s
}

// released is the same job brought to its end, with a deviation.
func released() *story {
	s := halfway()
	u, r := s.take(25.2, "25.2")
	s.decide(u, events.ReadingUnplaced{Reading: u, Bench: "axle", Tool: "w1", Value: r.Value, Text: r.Text, Unit: r.Unit, AtUs: s.at, Why: "no job is open at this bench"})
	u2, r2 := s.take(3, "3.0")
	s.decide(u2, events.ReadingUnplaced{Reading: u2, Bench: "axle", Job: "j-1", Tool: "w1", Value: r2.Value, Text: r2.Text, Unit: r2.Unit, AtUs: s.at, Why: "no open step takes 3 N·m"})
	s.ask("tomas", func(a events.Ask) events.Data { return events.JobResumeAsked{Ask: a, Job: "j-1"} },
		events.JobResumed{Job: "j-1", By: "tomas", Bench: "axle", AtUs: s.at})
	s.ask("tomas", func(a events.Ask) events.Data {
		return events.HandOverAsked{Ask: a, Job: "j-1", ToPerson: "ines", Note: "bolt 2 is new"}
	}, events.JobHandedOver{Job: "j-1", From: "tomas", To: "ines", Bench: "axle", Note: "bolt 2 is new", AtUs: s.at})
	claimed := s.judgement(u, r, "cover", "2", 0, events.Within)
	claimed.Claimed = "pulled before the job was resumed"
	s.ask("ines", func(a events.Ask) events.Data {
		return events.ReadingClaimAsked{Ask: a, Reading: u, Job: "j-1", Step: "cover", Fastener: "2", Reason: claimed.Claimed}
	}, claimed)
	s.ask("ines", func(a events.Ask) events.Data {
		return events.ReadingDismissAsked{Ask: a, Reading: u2, Reason: "tried the wrench"}
	}, events.ReadingDismissed{Reading: u2, By: "ines", Reason: "tried the wrench"})

	seq, r3 := s.take(25, "25.0")
	placed := s.judgement(seq, r3, "cover", "3", 0, events.Within)
	placed.Grade = events.Placed
	s.decide(seq, placed)
	s.pull("cover", "1", 1, 45.2, "45.2", events.Within)
	s.pull("cover", "4", 1, 40.9, "40.9", events.Doubtful)
	s.pull("cover", "2", 1, 44.6, "44.6", events.Within)
	s.ask("maren", func(a events.Ask) events.Data { return events.ReleaseAsked{Ask: a, Job: "j-1"} },
		events.RequestRefused{Request: "release.asked", Job: "j-1", Code: "open_work", Text: "Work is open.", Todo: "Do it.", Items: []string{"cover: bolt 3 has no final pull", "cover: bolt 4 is doubtful"}},
		events.AlertRaised{Alert: "A2-0", Kind: events.AlertMissed, Bench: "axle", Job: "j-1", Step: "cover", Pass: 1, Fasteners: []string{"3"}, Text: "Bolt 3 has no final pull.", Todo: "Pull it.", Blocks: true, AtUs: s.at})
	s.pull("cover", "4", 1, 45.1, "45.1", events.Within)
	s.ask("maren", func(a events.Ask) events.Data {
		return events.DecisionAsked{Ask: a, Job: "j-1", Step: "cover", Fastener: "3", Choice: events.ChoiceAccept, Reason: "thread worn; insert to be fitted at the next service, customer knows"}
	}, events.DeviationAccepted{Job: "j-1", Step: "cover", Fastener: "3", Was: "missed", By: "maren", Reason: "thread worn; insert to be fitted at the next service, customer knows", AtUs: s.at},
		events.AlertSettled{Alert: "A2-0", By: "maren", How: "accepted as a deviation", AtUs: s.at},
		events.StepFinished{Job: "j-1", Step: "cover", By: "maren", AtUs: s.at})
	s.ask("maren", func(a events.Ask) events.Data { return events.ReleaseAsked{Ask: a, Job: "j-1"} },
		events.JobReleased{Job: "j-1", By: "maren", AtUs: s.at})
	return s
}

// ledger puts the story into a new ledger.
func (s *story) ledger(t *testing.T) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(t.TempDir(), "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := l.Apply(t.Context(), s.entries); err != nil {
		t.Fatal(err)
	}
	return l
}
