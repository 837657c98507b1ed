package ledger

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// measured adds a guided measurement to job j-3: begun, broken off by a lost
// link, and made.
func (s *script) measured() {
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	again := func(n int) uint64 {
		return s.add(events.SourceDesk, minute(n), events.MeasureAsked{Ask: ask("ines", "axle", minute(n)), Job: "j-3", Step: "end-play", Do: events.MeasureTake})
	}
	a := s.add(events.SourceDesk, minute(50), events.MeasureAsked{Ask: ask("ines", "axle", minute(50)), Job: "j-3", Step: "end-play", Do: events.MeasureAgain})
	started := events.MeasurementStarted{Job: "j-3", Step: "end-play", Attempt: 1, Method: "end_play", What: "end play", Tool: "i1", Calibrated: "2025-12-10", Unit: "mm", Bench: "axle", By: "ines", AtUs: minute(50)}
	point := events.PointTaken{Job: "j-3", Step: "end-play", Kind: "stop", Asked: "Push", Value: mm(0.1), Spread: mm(0.001), Resolution: mm(0.001), Samples: 12, Text: "0.100", Unit: "mm", Tool: "i1", By: "ines", FromUs: minute(50), AtUs: minute(51), Note: "taken by a press", Lifted: mm(0)}
	s.decide(a, minute(50), started, events.MeasurementEnded{Job: "j-3", Step: "end-play", By: "ines", Why: "measured again", AtUs: minute(50)},
		events.MarkPassed{Job: "j-3", Step: "end-play", By: "ines", AtUs: minute(50)}, events.PlaceReached{Job: "j-3", Step: "end-play", By: "ines", AtUs: minute(50)})
	b := again(51)
	point.Fact = b
	s.decide(b, minute(51), events.MeasurementFed{Job: "j-3", Step: "end-play", FirstUs: minute(51), AtUs: []int64{0}, Values: []float64{0.1}, Unit: "mm", Resolution: mm(0.001)}, point,
		events.MeasurementTroubled{Job: "j-3", Step: "end-play", Code: "never_settles", Text: "no rest", Todo: "look at the stand", AtUs: minute(51)},
		events.PointDropped{Job: "j-3", Step: "end-play", By: "ines", Why: "taken once more"})
	r := again(52)
	s.decide(r, minute(52), events.ReadingGuided{Reading: r, Job: "j-3", Step: "end-play", Why: "in the samples"},
		events.MeasurementMade{Job: "j-3", Step: "end-play", Attempt: 2, Method: "end_play", Judged: "mean", What: "end play", Value: mm(0.1), U: mm(0.004), Coverage: 2.1, Verdict: events.Within, USL: mm(0.2),
			Figures: []events.Figure{{Name: "spread of the strokes", Value: mm(0.002), Note: "5 strokes"}}, Budget: []events.GaugeBudgetLine{{Name: "repeats", Source: "s of 5", Type: "A", U: mm(0.001), Share: 1}},
			Points: 6, Tool: "i1", Calibrated: "2025-12-10", Bench: "axle", By: "ines", StartedUs: minute(50), AtUs: minute(52)})
}

// TestEveryMeasuredFieldComesBack is TestEveryFieldComesBack for guided
// measurements.
func TestEveryMeasuredFieldComesBack(t *testing.T) {
	made := filled[events.MeasurementMade](1)
	all := []events.OutcomeData{
		filled[events.MeasurementStarted](2), filled[events.PointTaken](3), filled[events.ReadingGuided](4), filled[events.PointDropped](5),
		filled[events.PlaceReached](6), filled[events.MarkPassed](7), filled[events.MeasurementTroubled](8), filled[events.MeasurementEnded](9),
	}
	s := new(script)
	s.decide(1, minute(1), append([]events.OutcomeData{made}, all...)...)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()
	if d := cmp.Diff(made, must(l.MeasurementsOf(ctx, made.Job))(t)[0].MeasurementMade, exact); d != "" {
		t.Errorf("result (-want +got):\n%s", d)
	}
	for _, want := range all {
		name, _ := want.OutcomeType()
		job := jobOfMeasured(want)
		found := false
		for _, e := range must(l.MeasureEventsOf(ctx, job))(t) {
			if e.Kind != name {
				continue
			}
			found = true
			if d := cmp.Diff(want, e.Data, exact); d != "" {
				t.Errorf("%s (-want +got):\n%s", name, d)
			}
		}
		if !found {
			t.Errorf("%s of job %q did not come back", name, job)
		}
	}
}

func jobOfMeasured(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.MeasurementStarted:
		return o.Job
	case events.PointTaken:
		return o.Job
	case events.ReadingGuided:
		return o.Job
	case events.PointDropped:
		return o.Job
	case events.PlaceReached:
		return o.Job
	case events.MarkPassed:
		return o.Job
	case events.MeasurementTroubled:
		return o.Job
	case events.MeasurementEnded:
		return o.Job
	}
	return ""
}
