package ledger

import (
	"encoding/json"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// partsOutcome writes what was recorded of parts, presses and photos; done is
// false if data is something else.
func (b *batch) partsOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.PartPicked:
		return true, nil // of use to the rules alone: what comes of it is recorded
	case events.PartRecorded:
		b.count("part", string(d.Condition))
		return true, b.put(putPart, o.id, d.Job, d.Step, d.Part, d.Number, d.Name, int64(d.Count), d.Trace, bit(d.Serial), string(d.Condition),
			bit(d.Scanned), jsonList(d.Attributes), d.By, us(d.AtUs), int64(0), "", "", int64(0))
	case events.PartUndone:
		return true, b.put(undoPart, o.id, d.By, d.Reason, us(d.AtUs), d.Job, d.Step, d.Part)
	case events.PressCleared:
		return true, b.put(putPressCleared, o.id, d.Job, d.Step, d.Place, jsonList(d.Parts), d.By, us(d.AtUs))
	case events.PressJudged:
		b.count("seat", string(d.Seat))
		return true, b.put(putPress, o.id, int64(d.Reading), d.Job, d.Step, d.Place, string(d.Seat), baseIn(quantity.DimForce, d.Force),
			baseIn(quantity.DimForce, d.Jump), baseIn(quantity.DimLength, d.Travel), d.AfterUs, int64(d.Samples), d.Text, d.By, us(d.AtUs))
	case events.PressRecheckNoted:
		return true, b.put(putPressRecheck, o.id, d.Job, d.Step, d.Place, bit(d.Good), d.Answer, d.By, us(d.AtUs))
	case events.PhotoKept:
		return true, b.put(putPhoto, o.id, d.Photo, d.Job, d.Step, d.Hash, d.Size, d.Type, int64(d.Width), int64(d.Height), d.Note, d.By, us(d.AtUs))
	}
	return false, nil
}

// jsonList writes a list as a JSON array, [] for none.
func jsonList[T any](list []T) string {
	if len(list) == 0 {
		return "[]"
	}
	b, err := json.Marshal(list)
	if err != nil {
		panic(err) // texts always marshal
	}
	return string(b)
}
