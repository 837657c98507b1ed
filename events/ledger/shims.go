package ledger

import (
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// shimOutcome writes what happened to shims; done is false if data is
// something else. Of a shim step the ledger keeps the outcome whole, as JSON,
// beside what people look for.
func (b *batch) shimOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	step := func(job, step, kind string, reading uint64, text, by string, at events.Instant) error {
		body, err := shimJSON(data)
		if err != nil {
			return err
		}
		return b.put(putShimStep, o.id, job, step, kind, int64(reading), text, by, body, us(at))
	}
	switch d := data.(type) {
	case events.ShimStockChanged:
		piece, err := shimJSON(d.Piece)
		if err != nil {
			return true, err
		}
		return true, b.put(putShimStock, o.id, d.Drawer, piece, base(d.Piece.Thickness), int64(d.Piece.Count), int64(d.Was), d.Change, d.Job, d.Step, d.By, d.Reason, us(d.AtUs))
	case events.ShimFound:
		return true, step(d.Job, d.Step, "found", 0, "", d.By, d.AtUs)
	case events.ShimProposed:
		return true, step(d.Job, d.Step, "proposed", d.Reading, d.Text, "", d.AtUs)
	case events.ShimFitted:
		return true, step(d.Job, d.Step, "fitted", 0, d.Text, d.By, d.AtUs)
	case events.ShimChecked:
		label := "differs"
		if d.Agrees {
			label = "agrees"
		}
		b.count("shim_check", label)
		return true, step(d.Job, d.Step, "checked", d.Reading, d.Text, "", d.AtUs)
	}
	return false, nil
}

func shimJSON(v any) (string, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("write shims: %w", err)
	}
	return string(text), nil
}

// drawers writes the drawers of a shop description.
func (b *batch) drawers(o outcome, s *events.Shop) error {
	for i, x := range s.Shims {
		pieces, err := shimJSON(x.Pieces)
		if err != nil {
			return err
		}
		if err := b.put(putShimDrawer, o.id, int64(i), x.ID, x.Name, int64(x.Low), pieces); err != nil {
			return err
		}
	}
	return nil
}
