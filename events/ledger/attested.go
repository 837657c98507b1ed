package ledger

import (
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// attestedOutcome writes loose ends, answered items, hold points and who took
// a bench; done is false if data is something else.
func (b *batch) attestedOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.LooseEndOpened:
		b.count("loose_end", "opened")
		return true, b.put(putLooseEnd, o.id, d.Job, d.LooseEnd, d.Step, d.What, d.Closes, d.Who, bit(d.Adhoc), int64(d.Seq), d.By, us(d.AtUs))
	case events.LooseEndClosed:
		b.count("loose_end", "closed")
		return true, b.put(putLooseEndFate, o.id, d.Job, d.LooseEnd, "closed", d.How, d.Answer, numbers(d.Readings), d.By, us(d.AtUs))
	case events.LooseEndReopened:
		b.count("loose_end", "reopened")
		return true, b.put(putLooseEndFate, o.id, d.Job, d.LooseEnd, "reopened", d.Why, "", "[]", "", us(d.AtUs))
	case events.ItemAnswered:
		for _, r := range d.Readings { // they wait for a place no longer
			if err := b.put(settleUnplaced, "claimed", o.id, d.Job, d.By, "free travel of "+d.What, us(d.AtUs), int64(r)); err != nil {
				return true, err
			}
		}
		return true, b.put(putItem, o.id, d.Job, d.Step, d.Item, d.Kind, d.What, d.Answer, d.Other, d.Wanted, bit(d.Good), d.Text, d.Remark, d.Photo,
			numbers(d.Readings), int64(d.Travel.Dimension()), base(d.Travel), us(d.FromUs), us(d.UntilUs), us(d.WarnUs), d.By, us(d.AtUs))
	case events.ItemDecided:
		return true, b.put(putItemDecision, o.id, d.Job, d.Step, d.Item, d.Choice, d.Was, d.By, d.Reason, us(d.AtUs))
	case events.SealantClosed:
		return true, b.put(putSealantClosed, o.id, d.Job, d.Step, d.Item, bit(d.InTime), us(d.AtUs))
	case events.HoldOpened:
		return true, b.put(putHold, o.id, d.Job, d.Step, "opened", d.Hold, d.Answer, d.By, us(d.AtUs))
	case events.HoldReleased:
		return true, b.put(putHold, o.id, d.Job, d.Step, "released", "", d.Note, d.By, us(d.AtUs))
	case events.HoldWithdrawn:
		return true, b.put(putHold, o.id, d.Job, d.Step, "withdrawn", "", d.Why, "", us(d.AtUs))
	case events.BenchTaken:
		err := b.put(putBenchTaken, o.id, d.Bench, d.Person, d.Was, d.Job, d.How, us(d.AtUs))
		if err != nil || d.Job == "" {
			return true, err
		}
		return true, b.put(passJob, "", d.Person, d.Job)
	}
	return false, nil
}

// numbers writes journal sequences as a JSON array.
func numbers(ns []uint64) string {
	if len(ns) == 0 {
		return "[]"
	}
	b, err := json.Marshal(ns)
	if err != nil {
		panic(err) // numbers always marshal
	}
	return string(b)
}

// sequences reads what numbers wrote; nil for none.
func sequences(text string) ([]uint64, error) {
	if text == "[]" {
		return nil, nil
	}
	var ns []uint64
	if err := json.Unmarshal([]byte(text), &ns); err != nil {
		return nil, fmt.Errorf("%w: sequences %q: %v", ErrBroken, text, err)
	}
	return ns, nil
}
