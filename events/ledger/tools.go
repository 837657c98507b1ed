package ledger

import (
	"encoding/json"

	"witnessmark/events"
)

// toolOutcome writes what happened to a tool: where it is, what it is worth,
// how that was found out; done is false if data is something else.
func (b *batch) toolOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.ToolMoved:
		return true, b.put(putToolMove, o.id, d.Tool, string(d.State), d.Place, d.By, d.Reason, us(d.AtUs))
	case events.ToolAdjusted:
		return true, b.put(putToolAdjustment, o.id, d.Tool, d.What, d.By, d.Cycles, us(d.AtUs))
	case events.CycleOverloaded:
		return true, b.put(putToolOverload, o.id, int64(d.Reading), d.Tool, dim(d.Value), base(d.Value), d.Status, us(d.AtUs))
	case events.OverrideGiven:
		return true, b.put(putToolOverride, o.id, d.Tool, d.Job, d.Was, d.By, d.Reason, us(d.AtUs))
	case events.ReadingAssigned:
		return true, b.put(putReadingAssigned, o.id, int64(d.Reading), d.Tool, d.By, d.Reason, us(d.AtUs))
	case events.ReadingPassedOver:
		return true, b.put(putReadingPassed, o.id, int64(d.Reading), d.Calibration, d.Check, d.Tool, d.Taker,
			dim(d.Value), base(d.Value), d.Text, d.Unit, d.Why, us(d.AtUs))
	case events.CertificateEntered:
		return true, b.certificate(o, &d)
	}
	if done, err := b.calibrationOutcome(o, data); done {
		return true, err
	}
	return b.checkOutcome(o, data)
}

func (b *batch) calibrationOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.CalibrationOpened:
		return true, b.put(putCalibrationOpened, o.id, d.Calibration, d.Tool, d.Reference, d.Bench, string(d.Phase), d.Rule,
			jsonOf(d.Plan), bit(d.Setting), d.WithinUs, list(d.Note), d.By, us(d.AtUs))
	case events.CalibrationTaken:
		return true, b.put(putCalibrationPair, o.id, d.Calibration, d.Tool, int64(d.Row), jsonOf(d.Pair), d.By, us(d.AtUs))
	case events.CalibrationUndone:
		return true, b.put(putCalibrationUndo, o.id, d.Calibration, d.Tool, int64(d.Row), d.By, d.Reason, us(o.at))
	case events.CalibrationJudged:
		return true, b.calibration(o, &d)
	case events.CalibrationDropped:
		return true, b.put(putCalibrationDropped, o.id, d.Calibration, d.Tool, d.By, d.Reason, us(d.AtUs))
	}
	return false, nil
}

func (b *batch) checkOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.CheckOpened:
		return true, b.put(putCheckOpened, o.id, d.Check, d.Tool, d.Reference, d.Bench, dim(d.Point), base(d.Point),
			int64(d.Pulls), bit(d.Setting), d.WithinUs, list(d.Note), d.By, us(d.AtUs))
	case events.CheckTaken:
		return true, b.put(putCheckPair, o.id, d.Check, d.Tool, int64(d.Row), jsonOf(d.Pair), us(d.AtUs))
	case events.CheckJudged:
		b.count("check", string(d.Standing))
		return true, b.put(putCheck, o.id, d.Check, d.Tool, d.Reference, d.Bench, dim(d.Point), base(d.Point), jsonOf(d.Deviations),
			d.Deviation, d.U, d.Permitted, d.Expected, d.Room, int64(d.History), string(d.Standing), bit(d.Unusual), d.Why, list(d.Note), d.Cycles, d.By, us(d.AtUs))
	case events.CheckDropped:
		return true, b.put(putCheckDropped, o.id, d.Check, d.Tool, d.By, d.Reason, us(o.at))
	}
	return false, nil
}

func (b *batch) calibration(o outcome, d *events.CalibrationJudged) error {
	b.count("calibration", string(d.Standing))
	curve := ""
	if d.Curve != nil {
		curve = jsonOf(d.Curve)
	}
	err := b.put(putCalibration, o.id, d.Calibration, d.Tool, d.Reference, d.Bench, string(d.Phase), d.Rule, jsonOf(d.Pairs), d.K,
		string(d.Standing), list(d.Note), curve, d.Date, d.Due, d.Cycles, d.By, us(d.AtUs))
	return both(err, func() error { return b.points(o, d.Tool, d.Phase, d.Results) })
}

func (b *batch) certificate(o outcome, d *events.CertificateEntered) error {
	b.count("certificate", string(d.Standing))
	err := b.put(putCertificate, o.id, d.Certificate, d.Tool, d.Laboratory, string(d.Phase), d.Date, d.Due, d.K, string(d.Standing),
		d.File, d.FileHash, d.FileSize, list(d.Note), d.Cycles, d.By, us(d.AtUs))
	return both(err, func() error { return b.points(o, d.Tool, d.Phase, d.Results) })
}

func (b *batch) points(o outcome, tool string, phase events.Phase, results []events.CalibrationResult) error {
	for i, r := range results {
		err := b.put(putCalibrationPoint, o.id, int64(i), tool, string(phase), dim(r.Point), base(r.Point), r.Direction, int64(r.N), r.Unit,
			r.Deviation, r.Least, r.Most, r.U, r.Permitted, r.Accept, r.P, string(r.Standing), jsonOf(r.Budget))
		if err != nil {
			return err
		}
	}
	return nil
}

// jsonOf writes what holds text and finite numbers only; an empty list is [].
func jsonOf[T any](v T) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // it came from the journal's JSON
	}
	if string(b) == "null" {
		return "[]"
	}
	return string(b)
}
