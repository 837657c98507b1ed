package ledger

import (
	"context"
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// measuredOutcome writes what happened in a guided measurement; done is false
// if data is something else. What is asked for by column has one; the whole of
// it is kept as JSON beside.
func (b *batch) measuredOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	name, _ := data.OutcomeType()
	put := func(job, step string, fact uint64, at events.Instant) (bool, error) {
		text, err := json.Marshal(data)
		if err != nil {
			return true, fmt.Errorf("write %s: %w", name, err)
		}
		return true, b.put(putMeasureEvent, o.id, job, step, name, int64(fact), us(at), string(text))
	}
	switch d := data.(type) {
	case events.MeasurementFed:
		return true, nil // thinned samples: of use to the rules alone
	case events.MeasurementMade:
		return true, b.measured(o, &d)
	case events.MeasurementStarted:
		return put(d.Job, d.Step, 0, d.AtUs)
	case events.PointTaken:
		return put(d.Job, d.Step, d.Fact, d.AtUs)
	case events.ReadingGuided:
		return put(d.Job, d.Step, d.Reading, o.at)
	case events.PointDropped:
		return put(d.Job, d.Step, 0, o.at)
	case events.PlaceReached:
		return put(d.Job, d.Step, 0, d.AtUs)
	case events.MarkPassed:
		return put(d.Job, d.Step, 0, d.AtUs)
	case events.MeasurementTroubled:
		if d.Code != "" {
			b.count("measuring_trouble", d.Code)
		}
		return put(d.Job, d.Step, 0, d.AtUs)
	case events.MeasurementEnded:
		return put(d.Job, d.Step, 0, d.AtUs)
	}
	return false, nil
}

func (b *batch) measured(o outcome, d *events.MeasurementMade) error {
	text, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("write measurement of job %s: %w", d.Job, err)
	}
	b.count("measured", d.Method)
	of := d.Value.Dimension()
	return b.put(putMeasurement, o.id, d.Job, d.Step, int64(d.Attempt), d.Method, d.Judged, d.What, int64(of), base(d.Value), baseIn(of, d.U),
		baseIn(of, d.LSL), baseIn(of, d.USL), string(d.Verdict), int64(d.Points), int64(d.Typed), d.Tool, d.Calibrated, d.By, us(d.AtUs), string(text))
}

// Measurement is the result of a guided measurement.
type Measurement struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.MeasurementMade
}

// MeasureEvent is something that happened in a guided measurement.
type MeasureEvent struct {
	Seq  uint64 // of the decision
	Kind string // written name of Data
	Data events.OutcomeData
}

// MeasurementsOf returns the results of a job's guided measurements, in
// journal order.
func (q *Queries) MeasurementsOf(ctx context.Context, job string) ([]Measurement, error) {
	return all(ctx, q, "measurements of job "+job, `SELECT id, detail FROM measurements WHERE job = ? ORDER BY id`,
		func(r scanner, m *Measurement) error {
			var id int64
			var text string
			if err := r.Scan(&id, &text); err != nil {
				return err
			}
			m.Seq, m.Index = place(id)
			return wrongText("measurement", text, json.Unmarshal([]byte(text), &m.MeasurementMade))
		}, job)
}

// MeasureEventsOf returns what happened in a job's guided measurements, in
// journal order.
func (q *Queries) MeasureEventsOf(ctx context.Context, job string) ([]MeasureEvent, error) {
	return all(ctx, q, "guided measurements of job "+job, `SELECT id, kind, detail FROM measure_events WHERE job = ? ORDER BY id`,
		func(r scanner, m *MeasureEvent) error {
			var id int64
			var text string
			if err := r.Scan(&id, &m.Kind, &text); err != nil {
				return err
			}
			m.Seq, _ = place(id)
			var err error
			m.Data, err = measureEvent(m.Kind, text)
			return wrongText(m.Kind, text, err)
		}, job)
}

func wrongText(what, text string, err error) error {
	if err != nil {
		return fmt.Errorf("%w: %s %q: %v", ErrBroken, what, text, err)
	}
	return nil
}

// measureEvent reads an outcome by its written name.
func measureEvent(kind, text string) (events.OutcomeData, error) {
	switch kind {
	case "measurement.started":
		return outcomeOf[events.MeasurementStarted](text)
	case "point.taken":
		return outcomeOf[events.PointTaken](text)
	case "reading.guided":
		return outcomeOf[events.ReadingGuided](text)
	case "point.dropped":
		return outcomeOf[events.PointDropped](text)
	case "place.reached":
		return outcomeOf[events.PlaceReached](text)
	case "mark.passed":
		return outcomeOf[events.MarkPassed](text)
	case "measurement.troubled":
		return outcomeOf[events.MeasurementTroubled](text)
	case "measurement.ended":
		return outcomeOf[events.MeasurementEnded](text)
	}
	return nil, fmt.Errorf("unknown kind %q", kind)
}

func outcomeOf[T events.OutcomeData](text string) (events.OutcomeData, error) {
	var v T
	err := json.Unmarshal([]byte(text), &v)
	return v, err
}
