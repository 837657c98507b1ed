package ledger

import (
	"encoding/json"
	"fmt"
	"strconv"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// weighedOutcome writes what was inferred of pulls and fasteners, what was
// asked about them, and audits; done is false if data is something else.
func (b *batch) weighedOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.PullWeighed:
		return true, b.pullWeighed(o, &d)
	case events.WitnessWeighed:
		return true, b.put(putWitness, o.id, d.Job, d.Step, int64(d.Pass), weightList(d.Fasteners), d.AllTight)
	case events.PullSetAside:
		b.count("set_aside", string(d.Kind))
		return true, b.put(putAside, o.id, int64(d.Reading), d.Job, d.Step, int64(d.Pass), string(d.Kind), d.Fastener, d.P, d.Why,
			d.Bench, d.Tool, dim(d.Value), base(d.Value), d.Text, d.Unit, base(d.Angle), d.By, us(d.AtUs), "", int64(0), "", "", int64(0))
	case events.QuestionAsked:
		return true, b.put(putQuestion, o.id, d.Question, d.Job, d.Bench, d.Step, int64(d.Pass), int64(d.Reading), d.Text,
			choiceList(d.Choices), us(d.AtUs), int64(0), "", "", "", int64(0))
	case events.QuestionSettled:
		return true, b.put(settleQuestion, o.id, d.By, d.Choice, d.How, us(d.AtUs), d.Question)
	case events.CyclesLost:
		return true, b.put(putLost, o.id, d.Job, d.Step, d.Tool, int64(d.Cycles), us(d.AtUs))
	case events.LearningForgotten:
		return true, b.put(putForgotten, o.id, d.Procedure, d.Step, d.By, d.Reason, us(d.AtUs))
	case events.ResidualAuditOpened:
		return true, b.put(putAudit, o.id, d.Job, d.Step, d.Fastener, string(d.Method), d.By, us(d.AtUs))
	case events.ResidualJudged:
		return true, b.residual(o, &d)
	}
	return false, nil
}

const torque = quantity.DimTorque

func (b *batch) pullWeighed(o outcome, d *events.PullWeighed) error {
	found := ""
	if d.Trace != nil {
		text, err := json.Marshal(d.Trace)
		if err != nil {
			return fmt.Errorf("write what a trace showed: %w", err)
		}
		found = string(text)
	}
	return b.put(putPullWeighed, o.id, int64(d.Reading), d.Job, d.Step, int64(d.Pass), explanationList(d.Explanations), d.Tool,
		us(d.AtUs), baseIn(torque, d.Torque), base(d.Angle), d.DurationUs, found, d.Placed, bit(d.Numbered), bit(d.Late), int64(d.Lost))
}

func (b *batch) residual(o outcome, d *events.ResidualJudged) error {
	label := "differs"
	if d.Agrees {
		label = "agrees"
	}
	b.count("residual", label)
	return b.put(putResidual, o.id, int64(d.Reading), d.Job, d.Step, d.Fastener, string(d.Method), baseIn(torque, d.Residual),
		baseIn(torque, d.U), baseIn(torque, d.Installed), baseIn(torque, d.Low), baseIn(torque, d.High), bit(d.Agrees), d.Text, d.Tool, d.By, us(d.AtUs))
}

// Weights and explanations are kept as short JSON, [fastener, p, word] each,
// and written by hand: there is a list of them with every pull.

func weightList(ws []events.FastenerWeight) string {
	buf := append(make([]byte, 0, 2+36*len(ws)), '[')
	for i := range ws {
		buf = appendTriple(buf, ws[i].Fastener, ws[i].P, string(ws[i].Grade))
	}
	return string(append(buf, ']'))
}

func explanationList(es []events.Explanation) string {
	buf := append(make([]byte, 0, 2+40*len(es)), '[')
	for i := range es {
		buf = appendTriple(buf, es[i].Fastener, es[i].P, string(es[i].Kind))
	}
	return string(append(buf, ']'))
}

func appendTriple(buf []byte, fastener string, p float64, word string) []byte {
	if len(buf) > 1 {
		buf = append(buf, ',')
	}
	buf = appendText(append(buf, '['), fastener)
	buf = strconv.AppendFloat(append(buf, ','), p, 'g', -1, 64)
	buf = appendText(append(buf, ','), word)
	return append(buf, ']')
}

// appendText writes a JSON string.
func appendText(buf []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c == '"' || c == '\\' || c > '~' {
			b, err := json.Marshal(s)
			if err != nil {
				panic(err) // strings always marshal
			}
			return append(buf, b...)
		}
	}
	return append(append(append(buf, '"'), s...), '"')
}

// triple reads what appendTriple writes.
type triple struct {
	fastener string
	p        float64
	word     string
}

func (t *triple) UnmarshalJSON(b []byte) error {
	parts := [3]any{&t.fastener, &t.p, &t.word}
	dest := parts[:]
	if err := json.Unmarshal(b, &dest); err != nil {
		return err
	}
	if len(dest) != len(parts) {
		return fmt.Errorf("%d parts, want %d", len(dest), len(parts))
	}
	return nil
}

func triples(text string) ([]triple, error) {
	var out []triple
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		return nil, fmt.Errorf("%w: weights %q: %v", ErrBroken, text, err)
	}
	return out, nil
}

// weights reads a list of fasteners; nil for an empty one.
func weights(text string) ([]events.FastenerWeight, error) {
	ts, err := triples(text)
	var out []events.FastenerWeight
	for _, t := range ts {
		out = append(out, events.FastenerWeight{Fastener: t.fastener, P: t.p, Grade: events.Grade(t.word)})
	}
	return out, err
}

// explanations reads a list of explanations; nil for an empty one.
func explanations(text string) ([]events.Explanation, error) {
	ts, err := triples(text)
	var out []events.Explanation
	for _, t := range ts {
		out = append(out, events.Explanation{Fastener: t.fastener, P: t.p, Kind: events.ExplanationKind(t.word)})
	}
	return out, err
}

func choiceList(cs []events.Choice) string {
	b, err := json.Marshal(cs)
	if err != nil {
		panic(err) // text always marshals
	}
	return string(b)
}
