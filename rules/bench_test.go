package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure/demo"
)

func hash(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// runner opens and runs jobs of the demo procedures, clean.
type runner struct {
	s   *State
	seq uint64
	at  events.Instant
}

func (r *runner) tell(d events.Data) []events.Outcome {
	r.seq++
	r.at += 1e6
	e := events.Entry{Seq: r.seq, Event: events.Event{Time: r.at, Data: d}}
	out := Decide(r.s, e)
	if len(out) > 0 {
		Evolve(r.s, events.Decided{Cause: e.Seq, CauseUs: e.Time, Outcomes: out})
	}
	return out
}

// demoDrawers are the drawers that the demo procedures name.
func demoDrawers() []events.ShimDrawer {
	var out []events.ShimDrawer
	for _, id := range []string{"pinion-45", "input-36"} {
		d := events.ShimDrawer{ID: id, Name: id}
		for _, mm := range []float64{0.05, 0.1, 0.2, 0.5, 0.6, 0.7, 0.8} {
			d.Pieces = append(d.Pieces, events.ShimPiece{Thickness: quantity.Millimetres(mm).Value(), Count: 20})
		}
		out = append(out, d)
	}
	return out
}

func newRunner(tb testing.TB) *runner {
	r := &runner{s: New(), at: testStart}
	shop := testShop()
	wide := shop.Tools[0]
	wide.ID, wide.Serial, wide.Least, wide.Most, wide.URel = "wide", "wide", nm(1), nm(400), 0.005
	wide.Interval.Cycles = -1 // it makes more cycles than any wrench
	wide.Resolution = nm(10)  // it hits the target each time, as a hand does only by a coarse scale
	shop.Tools = append(shop.Tools, wide)
	shop.Shims = demoDrawers()
	r.tell(events.ShopDescribed{Shop: shop, Hash: "1"})
	for _, f := range demo.Files() {
		r.tell(events.ProcedureOffered{Ask: events.Ask{By: "maren"}, Text: f.Text, Hash: hash(f.Text)})
	}
	if len(r.s.Procedures) != len(demo.Files()) {
		tb.Fatalf("released %d procedures of %d", len(r.s.Procedures), len(demo.Files()))
	}
	return r
}

func (r *runner) open(tb testing.TB, job, proc string) {
	r.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle"}, Job: job, UnitSerial: "U", Procedure: proc})
	if r.s.Jobs[job] == nil {
		tb.Fatalf("job %s was not opened", job)
	}
}

// next makes what the job's current step wants; nil once all is done.
func (r *runner) next(job string) events.Data {
	j := r.s.Jobs[job]
	cur := j.current()
	if cur == len(j.Steps) {
		return nil
	}
	if d := attestNext(j, cur); d != nil {
		return d
	}
	if sh := j.Steps[cur].Shim; sh != nil && sh.Fitted == nil && sh.Proposed != nil && sh.Proposed.Fits {
		return events.ShimFitAsked{Ask: events.Ask{By: "ines"}, Job: job, Step: j.Proc.Steps[cur].ID, Left: sh.Proposed.Left}
	}
	if p := &j.Proc.Steps[cur]; len(p.Kit) > 0 || p.Press != nil { // walked in scenarios of their own: here a lead passes them
		return events.DecisionAsked{Ask: events.Ask{By: "maren"}, Job: job, Step: p.ID, Choice: events.ChoiceAccept, Reason: "walked elsewhere"}
	}
	w, _, ok := j.expected()
	if !ok {
		return events.StepConfirmAsked{Ask: events.Ask{By: "ines"}, Job: job, Step: j.Proc.Steps[cur].ID}
	}
	v, tool, mode := w.target, "wide", events.ModePeak
	if w.dim() == quantity.DimLength {
		tool, mode = "d3", events.ModeSettled
		if v.IsZero() {
			v = w.usl.WithBase((w.lsl.Base() + w.usl.Base()) / 2)
		}
		if sh := j.Steps[cur].Shim; sh != nil && sh.Fitted != nil {
			v = sh.Fitted.Predicted
		}
	}
	u := baseUnit(w.dim())
	return events.ReadingTaken{Device: tool, Tool: tool, Bench: "axle", Mode: mode, Text: fmt.Sprintf("%.3f", v.In(u)), Unit: u.Code(), Value: v, ReceivedAtUs: r.at}
}

// A clean job of each demo procedure raises no alert and is released.
func TestDemoProceduresClean(t *testing.T) {
	for _, f := range demo.Files() {
		t.Run(f.ID, func(t *testing.T) {
			r := newRunner(t)
			r.open(t, "J", f.ID)
			for d := r.next("J"); d != nil; d = r.next("J") {
				for _, o := range r.tell(d) {
					switch o := o.Data.(type) {
					case events.AlertRaised:
						t.Fatalf("alert: %s", o.Text)
					case events.RequestRefused:
						t.Fatalf("refused: %s %v", o.Text, o.Items)
					case events.ReadingUnplaced:
						t.Fatalf("unplaced: %s", o.Why)
					}
				}
			}
			r.tell(events.ReleaseAsked{Ask: events.Ask{By: "maren"}, Job: "J"})
			if !r.s.Ended["J"] {
				t.Errorf("not released: %v", r.s.OpenWork(r.s.Jobs["J"]))
			}
		})
	}
}

// BenchmarkDecide measures the usual reading in the middle of a job, with few
// and with many ended jobs behind it.
func BenchmarkDecide(b *testing.B) {
	for _, ended := range []int{0, 100_000} {
		b.Run(fmt.Sprintf("ended=%d", ended), func(b *testing.B) {
			r := newRunner(b)
			for i := range ended {
				r.s.Ended[fmt.Sprint("old", i)] = true
			}
			r.open(b, "J", "RA-210")
			for range 20 {
				r.tell(r.next("J"))
			}
			e := events.Entry{Seq: r.seq + 1, Event: events.Event{Time: r.at, Data: r.next("J")}}
			b.ReportAllocs()
			for b.Loop() {
				Decide(r.s, e)
			}
		})
	}
}

// BenchmarkEvolve measures folding such a decision.
func BenchmarkEvolve(b *testing.B) {
	r := newRunner(b)
	r.open(b, "J", "RA-210")
	for range 20 {
		r.tell(r.next("J"))
	}
	e := events.Entry{Seq: r.seq + 1, Event: events.Event{Time: r.at, Data: r.next("J")}}
	d := events.Decided{Cause: e.Seq, CauseUs: e.Time, Outcomes: Decide(r.s, e)}
	b.ReportAllocs()
	for b.Loop() {
		d.Cause++
		Evolve(r.s, d)
	}
}

// BenchmarkPull measures a pull with its rotation in a joint of 24 fasteners:
// decided, folded into the state that decides next, and folded into another
// that only shows.
func BenchmarkPull(b *testing.B) {
	shop := testShop()
	wide := shop.Tools[0]
	wide.ID, wide.Serial, wide.Least, wide.Most, wide.URel = "wide", "wide", nm(1), nm(400), 0.005
	wide.Interval.Cycles = -1 // it makes more cycles than any wrench
	wide.Resolution = nm(10)  // it hits the target each time, as a hand does only by a coarse scale
	wide.Reports = events.ToolReports{Angle: true}
	shop.Tools = append(shop.Tools, wide)
	text := `procedure: BENCH
revision: A
title: Invented joint
unit: Bench
faces:
  - {id: face, title: Face, outlines: [{shape: circle, r: 150, style: body}]}
steps:
  - id: joint
    title: Joint
    kind: torque
    face: face
    class: C
    thread: M10x1.5
    strength: "8.8"
    lubrication: oiled
    into: steel
    fasteners:
      - {ring: {count: 24, diameter: 260}, head: 17.8}
    order: cross
    passes:
      - {name: final, target: 45 N·m, limits: ± 20 %}
`
	var r *runner
	var shown *State
	tell := func(d events.Data) {
		r.seq++
		r.at += 3e6
		e := events.Entry{Seq: r.seq, Event: events.Event{Time: r.at, Data: d}}
		if out := Decide(r.s, e); len(out) > 0 {
			dec := events.Decided{Cause: e.Seq, CauseUs: e.Time, Outcomes: out}
			Evolve(r.s, dec)
			Evolve(shown, dec)
		}
	}
	jobs := 0
	open := func() {
		r, shown = &runner{s: New(), at: testStart}, New()
		jobs++
		tell(events.ShopDescribed{Shop: shop, Hash: "1"})
		tell(events.ProcedureOffered{Ask: events.Ask{By: "maren"}, Text: text, Hash: hash(text)})
		tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle"}, Job: "J", UnitSerial: "U", Procedure: "BENCH"})
		if r.s.Jobs["J"] == nil {
			b.Fatal("job was not opened")
		}
	}
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		if n%24 == 0 {
			b.StopTimer()
			open()
			b.StartTimer()
		}
		v := nm(44 + float64(n%3))
		tell(events.ReadingTaken{Device: "wide", Tool: "wide", Bench: "axle", Mode: events.ModePeak, Text: "45.00", Unit: "N.m", Value: v,
			Angle: quantity.Of(14.5+float64(n%7)/4, quantity.Degree), ReceivedAtUs: r.at + 3e6})
	}
}
