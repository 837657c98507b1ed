package ledger

import (
	"errors"
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// fill sets every field of a struct to a value of its own, so that a field
// that the ledger loses shows, also one that is added later.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Interface().(type) {
	case quantity.Value:
		v.Set(reflect.ValueOf(quantity.NewtonMetres(float64(*n) + 0.5).Value()))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.String:
		v.SetString("text" + string(rune('A'+*n%26)) + string(rune('A'+*n/26)))
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(*n))
	case reflect.Uint64:
		v.SetUint(uint64(*n))
	case reflect.Float64:
		v.SetFloat(float64(*n) + 0.25)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			if v.Type().Elem().Kind() == reflect.Uint8 {
				v.Index(i).SetUint(uint64(*n + i))
				continue
			}
			fill(v.Index(i), n)
		}
	default:
		panic("fill: " + v.Type().String())
	}
}

func filled[T any](n int) T {
	var v T
	fill(reflect.ValueOf(&v).Elem(), &n)
	return v
}

var exact = cmp.Comparer(func(a, b quantity.Value) bool { return a == b })

// must returns v, or ends the test.
func must[T any](v T, err error) func(t *testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// TestEveryFieldComesBack puts one of each with all fields set, and reads it
// back through the queries.
func TestEveryFieldComesBack(t *testing.T) {
	reading := filled[events.ReadingTaken](1)
	reading.Angle, reading.Trace, reading.Stroke = quantity.Degrees(33).Value(), nil, nil // see TestTraceStaysInTheJournal
	judged := filled[events.ReadingJudged](2)
	judged.Angle, judged.Reading = quantity.Degrees(34).Value(), 1
	unplaced := filled[events.ReadingUnplaced](3)
	unplaced.Angle, unplaced.Reading = quantity.Degrees(35).Value(), 99
	voided := filled[events.ReadingVoided](4)
	procedure := filled[events.ProcedureReleased](5)
	job := filled[events.JobOpened](6)
	deviation := filled[events.DeviationAccepted](7)
	reset := filled[events.FastenerReset](8)
	alert := filled[events.AlertRaised](9)
	refused := filled[events.RequestRefused](10)
	shop := filled[events.ShopAdopted](11)
	for i := range shop.Shop.Tools {
		shop.Shop.Tools[i].Reports.AngleStep = quantity.Degrees(0.25).Value()
	}
	frame := filled[events.FrameRefused](12)
	link := filled[events.LinkChanged](13)
	gap := filled[events.CounterGapFound](14)

	s := new(script)
	s.add("device/x", minute(1), reading)
	s.decide(1, minute(2), judged, unplaced, voided, procedure, job, deviation, reset, alert, refused, shop)
	s.add("device/x", minute(3), frame)
	s.add("device/x", minute(3), link)
	s.add("device/x", minute(3), gap)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()

	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	check("reading", reading, must(l.Reading(ctx, 1))(t).ReadingTaken)
	check("judgement", judged, must(l.JudgementsOf(ctx, judged.Job))(t)[0].ReadingJudged)
	check("unplaced", unplaced, must(l.UnplacedOpen(ctx))(t)[0].ReadingUnplaced)
	check("void", voided, must(l.Voids(ctx, voided.Job))(t)[0].ReadingVoided)
	check("procedure", procedure, must(l.ProcedureText(ctx, procedure.Procedure, procedure.Revision))(t).ProcedureReleased)
	check("job", job, must(l.Job(ctx, job.Job))(t).JobOpened)
	check("deviation", deviation, must(l.Deviations(ctx, deviation.Job))(t)[0].DeviationAccepted)
	check("reset", reset, must(l.Resets(ctx, reset.Job))(t)[0].FastenerReset)
	check("alert", alert, must(l.OpenAlerts(ctx))(t)[0].AlertRaised)
	check("refusal", refused, must(l.Refusals(ctx, refused.Job))(t)[0].RequestRefused)
	check("shop", shop.Shop, must(l.ShopNow(ctx))(t).Shop)
	check("frame", frame, must(l.FramesRefused(ctx, "", 0))(t)[0].FrameRefused)
	check("link", link, must(l.Links(ctx, link.Device, 0))(t)[0].LinkChanged)
	check("gap", gap, must(l.Gaps(ctx, 0))(t)[0].CounterGapFound)
}

// TestEveryWeighedFieldComesBack is TestEveryFieldComesBack for what was
// inferred.
func TestEveryWeighedFieldComesBack(t *testing.T) {
	pull := filled[events.PullWeighed](1)
	pull.Angle = quantity.Degrees(36).Value()
	aside := filled[events.PullSetAside](2)
	aside.Angle = quantity.Degrees(37).Value()
	witness := filled[events.WitnessWeighed](3)
	question := filled[events.QuestionAsked](4)
	settled := filled[events.QuestionSettled](5)
	settled.Question = question.Question
	lost := filled[events.CyclesLost](6)
	forgotten := filled[events.LearningForgotten](7)
	audit := filled[events.ResidualAuditOpened](8)
	residual := filled[events.ResidualJudged](9)
	// A fastener's id may hold anything; a probability comes back to the bit.
	witness.Fasteners[0] = events.FastenerWeight{Fastener: `a "b", \ ü`, P: 0.1 + 0.2, Grade: events.Reasoned}

	s := new(script)
	s.decide(1, minute(2), pull, aside, witness, question, settled, lost, forgotten, audit, residual)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()

	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	check("weighed pull", pull, must(l.PullWeightsOf(ctx, pull.Job))(t)[0].PullWeighed)
	check("set-aside pull", aside, must(l.AsideOf(ctx, aside.Job))(t)[0].PullSetAside)
	check("witness", witness, must(l.WitnessWeightsOf(ctx, witness.Job))(t)[0].WitnessWeighed)
	check("witness now", witness, must(l.WitnessWeightsNow(ctx, witness.Job))(t)[0].WitnessWeighed)
	check("lost cycles", lost, must(l.LostOf(ctx, lost.Job))(t)[0].CyclesLost)
	check("forgotten", forgotten, must(l.ForgottenOf(ctx, forgotten.Procedure))(t)[0].LearningForgotten)
	check("audit", audit, must(l.AuditsOf(ctx, audit.Job))(t)[0].ResidualAuditOpened)
	check("residual", residual, must(l.ResidualsOf(ctx, residual.Job))(t)[0].ResidualJudged)
	got := must(l.QuestionsOf(ctx, question.Job))(t)[0]
	check("question", question, got.QuestionAsked)
	check("answer", settled, events.QuestionSettled{Question: settled.Question, Job: settled.Job, By: got.SettledBy, Choice: got.Answer, How: got.SettledHow, AtUs: got.SettledAtUs})
}

// TestTraceStaysInTheJournal: of a traced pull the ledger keeps how many
// samples there were, and neither them nor the frame that brought them.
func TestTraceStaysInTheJournal(t *testing.T) {
	s := new(script)
	want := traced(1, "26.0", 26)
	seq := s.add(events.DeviceSource("d-w1"), minute(1), want)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	got := must(l.Reading(t.Context(), seq))(t)
	if got.TraceSamples != len(want.Trace.Torque) {
		t.Errorf("%d samples, want %d", got.TraceSamples, len(want.Trace.Torque))
	}
	want.Trace, want.Bytes = nil, nil
	if d := cmp.Diff(want, got.ReadingTaken, exact); d != "" {
		t.Errorf("reading (-want +got):\n%s", d)
	}
}

// TestEveryToolFieldComesBack is TestEveryFieldComesBack for what happens to
// tools.
func TestEveryToolFieldComesBack(t *testing.T) {
	moved := filled[events.ToolMoved](1)
	adjusted := filled[events.ToolAdjusted](2)
	overload := filled[events.CycleOverloaded](3)
	override := filled[events.OverrideGiven](4)
	assigned := filled[events.ReadingAssigned](5)
	passed := filled[events.ReadingPassedOver](6)
	opened := filled[events.CalibrationOpened](7)
	taken := filled[events.CalibrationTaken](8)
	undone := filled[events.CalibrationUndone](9)
	judged := filled[events.CalibrationJudged](10)
	dropped := filled[events.CalibrationDropped](11)
	certificate := filled[events.CertificateEntered](12)
	checkOpened := filled[events.CheckOpened](13)
	checkTaken := filled[events.CheckTaken](14)
	check := filled[events.CheckJudged](15)
	checkDropped := filled[events.CheckDropped](16)

	s := new(script)
	s.decide(1, minute(2), moved, adjusted, overload, override, assigned, passed, opened, taken, undone, judged, dropped, certificate,
		checkOpened, checkTaken, check, checkDropped)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()

	same := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	same("move", moved, must(l.MovesOf(ctx, moved.Tool))(t)[0].ToolMoved)
	same("adjustment", adjusted, must(l.AdjustmentsOf(ctx, adjusted.Tool))(t)[0].ToolAdjusted)
	same("overload", overload, must(l.OverloadsOf(ctx, overload.Tool))(t)[0].CycleOverloaded)
	same("override", override, must(l.Overrides(ctx, override.Job))(t)[0].OverrideGiven)
	same("override of a tool", override, must(l.OverridesOf(ctx, override.Tool))(t)[0].OverrideGiven)
	same("assigned reading", assigned, must(l.AssignedTo(ctx, assigned.Tool))(t)[0].ReadingAssigned)
	same("reading passed over", passed, must(l.PassedOverOf(ctx, passed.Tool))(t)[0].ReadingPassedOver)
	same("calibration opened", opened, must(l.CalibrationsBegun(ctx, opened.Tool))(t)[0].CalibrationOpened)
	same("pair", taken, must(l.CalibrationPairs(ctx, taken.Calibration))(t)[0])
	same("undo", undone, must(l.CalibrationUndos(ctx, undone.Calibration))(t)[0].CalibrationUndone)
	same("calibration", judged, must(l.CalibrationsOf(ctx, judged.Tool))(t)[0].CalibrationJudged)
	same("calibration by id", judged, must(l.Calibration(ctx, judged.Calibration))(t).CalibrationJudged)
	same("calibration dropped", dropped, must(l.CalibrationsDropped(ctx, dropped.Tool))(t)[0])
	same("certificate", certificate, must(l.CertificatesOf(ctx, certificate.Tool))(t)[0].CertificateEntered)
	same("check opened", checkOpened, must(l.ChecksBegun(ctx, checkOpened.Tool))(t)[0].CheckOpened)
	same("check pair", checkTaken, must(l.CheckPairs(ctx, checkTaken.Check))(t)[0])
	same("check", check, must(l.ChecksOf(ctx, check.Tool))(t)[0].CheckJudged)
	same("check dropped", checkDropped, must(l.ChecksDropped(ctx, checkDropped.Tool))(t)[0].CheckDropped)
	if _, err := l.Calibration(ctx, "none"); !errors.Is(err, ErrUnknown) {
		t.Errorf("a calibration that is not there: %v, want ErrUnknown", err)
	}
}
