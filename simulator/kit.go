package simulator

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"witnessmark/events/quantity"
)

// The kinds of step in which parts are recorded and pressed.
const (
	Kit   StepKind = "kit"   // a kit is scanned or answered by hand
	Press StepKind = "press" // places are pressed, one after the other
)

// The deeds about parts and presses.
const (
	DoScan    Deed = "scan"    // scans a line
	DoPart    Deed = "part"    // answers a line of the kit by hand
	DoPair    Deed = "pair"    // tells the parts in hand before they are pressed
	DoPress   Deed = "press"   // presses
	DoRecheck Deed = "recheck" // answers the question after a pressing
)

// KitPart is one line of a kit as the technician deals with it.
type KitPart struct {
	Part   string   // id of the line
	Scans  []string // lines that he scans
	Answer *PartAnswer
}

// PartAnswer is what he answers by hand, after the scans.
type PartAnswer struct {
	Trace      string
	Count      int
	Condition  string
	Attributes [][2]string
}

// Place is one place of a press step.
type Place struct {
	ID        string
	Pair      []Hand         // told before it is pressed; none: nothing must match
	Low, High quantity.Value // of the force; a zero Low: none
	Seat      bool           // the part must come home
	Recheck   bool           // a question follows
}

// Hand is a part in hand.
type Hand struct {
	Part, Trace string
	Attributes  [][2]string
}

// Pressed is a place as it truly is.
type Pressed struct {
	Step  string         `json:"step"`
	Place string         `json:"place"`
	Force quantity.Value `json:"force"`
	Seats bool           `json:"seats"`
}

// PartsDesk is what people do about parts and presses on the bench page. A Desk
// that is none cannot perform such steps.
type PartsDesk interface {
	Scan(ctx context.Context, j Job, step, line string) error
	Part(ctx context.Context, j Job, step, part string, a PartAnswer) error
	Pair(ctx context.Context, j Job, step, place string, hands []Hand) error
	Recheck(ctx context.Context, j Job, step, place string, good bool) error
}

// kit scans and answers a kit.
func (b *builder) kit(s Step) {
	for _, p := range s.Kit {
		for _, line := range p.Scans {
			b.add(Action{Do: DoScan, Wait: b.pause(3, 8), Step: s.ID, Answer: b.own(line)})
		}
		if p.Answer != nil {
			a := *p.Answer
			a.Trace = b.own(a.Trace)
			b.add(Action{Do: DoPart, Wait: b.pause(2, 5), Step: s.ID, Fastener: p.Part, Part: a})
		}
	}
	if s.Answer != "" {
		b.add(Action{Do: DoConfirm, Wait: b.pause(5, 15), Step: s.ID, Answer: s.Answer})
	}
	b.noticed()
}

// OwnSerial stands in a scanned line for what makes a serial the job's own: no
// two units have a part with the same.
const OwnSerial = "{job}"

func (b *builder) own(line string) string { return strings.ReplaceAll(line, OwnSerial, b.job.ID) }

// press presses the places of a step, each home.
func (b *builder) press(s Step) {
	for _, p := range s.Presses {
		if len(p.Pair) > 0 {
			hands := slices.Clone(p.Pair)
			for i := range hands {
				hands[i].Trace = b.own(hands[i].Trace)
			}
			b.add(Action{Do: DoPair, Wait: b.pause(5, 15), Step: s.ID, Fastener: p.ID, Hands: hands})
		}
		low := p.Low.Base()
		peak := low + (p.High.Base()-low)*between(b.rng, 0.55, 0.75)
		one := Pressing{Peak: quantity.Newtons(peak), RunIn: quantity.Newtons(peak * between(b.rng, 0.4, 0.5)), Seats: true}
		b.truth.Readings++
		b.truth.Presses = append(b.truth.Presses, Pressed{s.ID, p.ID, one.Peak.Value(), one.Seats})
		b.add(Action{Do: DoPress, Wait: b.pause(10, 30), Step: s.ID, Fastener: p.ID, Tool: s.Tool, Pressing: one})
		if p.Recheck {
			b.add(Action{Do: DoRecheck, Wait: b.pause(4, 10), Step: s.ID, Fastener: p.ID})
		}
	}
	if s.Answer != "" {
		b.add(Action{Do: DoConfirm, Wait: b.pause(5, 15), Step: s.ID, Answer: s.Answer})
	}
	b.noticed()
}

// parts performs a deed about parts or presses; false if it is another one.
func (p *performer) parts(ctx context.Context, a Action) (bool, error) {
	switch a.Do {
	case DoScan, DoPart, DoPair, DoRecheck:
	case DoPress:
		return true, p.press(ctx, a)
	default:
		return false, nil
	}
	desk, ok := p.Desk.(PartsDesk)
	if !ok {
		return true, errors.New("this desk has no parts")
	}
	switch a.Do {
	case DoScan:
		return true, p.granted(desk.Scan(ctx, p.job, a.Step, a.Answer))
	case DoPart:
		return true, p.granted(desk.Part(ctx, p.job, a.Step, a.Fastener, a.Part))
	case DoPair:
		return true, p.granted(desk.Pair(ctx, p.job, a.Step, a.Fastener, a.Hands))
	}
	return true, p.granted(desk.Recheck(ctx, p.job, a.Step, a.Fastener, true))
}

func (p *performer) press(ctx context.Context, a Action) error {
	t, err := p.tool(a.Tool)
	if err != nil {
		return err
	}
	gauge, ok := t.(presser)
	if !ok {
		return fmt.Errorf("press with %s: %w", a.Tool, errNoPress)
	}
	if err := p.link(ctx, a.Tool); err != nil {
		return err
	}
	sent, err := gauge.Press(ctx, a.Pressing, a.Wire)
	if err != nil {
		return err
	}
	if sent.Arrives {
		p.owed = append(p.owed, sent)
	}
	return p.settle(ctx, a.Tool)
}

// validateParts checks a step of these kinds.
func (s Step) validateParts(tools map[string]Model) error {
	if s.Kind == Kit {
		if len(s.Kit) == 0 {
			return errors.New("a kit has no parts")
		}
		return nil
	}
	if !tools[s.Tool].presses() {
		return fmt.Errorf("tool %q cannot press; name a %s or a %s", s.Tool, SkerryF2, QuarleP8)
	}
	for _, p := range s.Presses {
		if p.High.Dimension() != quantity.DimForce || !(p.High.Base() > p.Low.Base()) {
			return fmt.Errorf("place %s needs a force limit", p.ID)
		}
	}
	return nil
}

// Press records a pressing.
func (t *recorded) Press(ctx context.Context, p Pressing, w Wire) (Sent, error) {
	gauge, ok := t.Tool.(presser)
	if !ok {
		return Sent{}, errNoPress
	}
	s, err := gauge.Press(ctx, p, w)
	if err == nil {
		t.r.note(s)
	}
	return s, err
}
