package ledger

import (
	"encoding/json"
	"math"

	"witnessmark/events"
)

// recallOutcome writes what follows from tools that were found wrong, or look
// so; done is false if data is something else.
func (b *batch) recallOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.RecallOpened:
		return true, b.put(putRecall, o.id, d.Recall, d.Tool, partJSON(d.Good), partJSON(d.Bad), int64(d.Position), d.Least, int64(d.InSpan),
			int64(d.InDoubt), int64(d.Total), d.By, d.Reason, us(d.AtUs), int64(0), "", int64(0))
	case events.RecallListed:
		for i := range d.Lines {
			if err := b.recallLine(o, d.Recall, &d.Lines[i]); err != nil {
				return true, err
			}
		}
		return true, nil
	case events.RecallLineClosed:
		for _, line := range d.Lines {
			if err := b.put(closeRecallLine, o.id, string(d.How), int64(d.Reading), d.By, d.Reason, us(d.AtUs), d.Recall, int64(line)); err != nil {
				return true, err
			}
		}
		return true, nil
	case events.RecallClosed:
		return true, b.put(closeRecall, o.id, d.By, us(d.AtUs), d.Recall)
	case events.DriftSignalled:
		return true, b.put(putDriftSignal, o.id, d.Tool, dim(d.Point), base(d.Point), d.Direction, d.Source, d.Rule, bit(d.High), us(d.SinceUs),
			d.Value, d.Centre, d.SD, d.ARL0, d.ARL1, d.Shift, us(d.AtUs))
	case events.ToolSuspected:
		return true, b.put(putSuspicion, o.id, d.Tool, d.Factor, d.Lower, d.Upper, int64(d.Pulls), int64(d.Visits), int64(d.Peers), d.Z, d.Bound,
			d.False, d.Why, us(d.AtUs))
	}
	return false, nil
}

func (b *batch) recallLine(o outcome, recall string, l *events.RecallLine) error {
	d := l.Value.Dimension()
	return b.put(putRecallLine, recall, int64(l.Line), o.id, int64(l.Reading), l.Job, l.UnitSerial, l.Customer, l.Procedure, l.Revision, l.Step,
		int64(l.Pass), l.Fastener, l.Class, l.Status, string(l.Verdict), int64(d), base(l.Value), baseIn(d, l.LSL), baseIn(d, l.USL), us(l.AtUs),
		l.ByTime.Deviation, l.ByTime.True, l.ByTime.P, l.ByCycles.Deviation, l.ByCycles.True, l.ByCycles.P, l.Worst.Deviation, l.Worst.True, l.Worst.P,
		int64(0), "", int64(0), "", "", int64(0))
}

// partJSON writes a part of an event that is only ever read as a whole.
func partJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // events always marshal
	}
	return string(b)
}

// sampleMean writes mean and scatter of a run of samples that is not empty.
func (b *batch) sampleMean(seq uint64, s *events.SamplesCaptured) error {
	mean, ss := 0.0, 0.0
	for i, v := range s.Values {
		d := v - mean
		mean += d / float64(i+1)
		ss += float64(d * (v - mean))
	}
	sd := 0.0
	if n := len(s.Values); n > 1 {
		sd = math.Sqrt(ss / float64(n-1))
	}
	if math.IsNaN(mean) || math.IsInf(mean, 0) || math.IsNaN(sd) || math.IsInf(sd, 0) {
		return nil
	}
	return b.put(putSampleMean, int64(seq), s.Tool, s.Unit, us(s.FirstUs), int64(len(s.Values)), mean, sd)
}
