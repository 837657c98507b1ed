package simulator

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"witnessmark/events/quantity"
)

// Plan is what is to be done, and what is to go wrong. Benches work side by
// side; the jobs of one bench follow each other.
type Plan struct {
	Seed  uint64
	Start time.Time // of a recording; not used when the script is run
	Tools []ToolSpec
	Jobs  []Job
}

// Job is one unit to be rebuilt.
type Job struct {
	ID         string
	UnitSerial string
	Customer   string
	Procedure  string
	Revision   string
	Bench      string
	Technician string  // person id
	Lead       string  // person id of who decides
	Steps      []Step  // in order
	Faults     []Fault // at most one in a pass or measure step
	Heed       Heed
}

// Heed is when the technician goes back to what he left out.
type Heed string

// When he goes back.
const (
	AtRelease Heed = "at_release" // once release was refused; the zero Heed means this too
	AtOnce    Heed = "at_once"    // as soon as something is said about it: after the next thing he does
)

// StepKind says how a step is done.
type StepKind string

// The kinds of step.
const (
	Torque  StepKind = "torque"
	Measure StepKind = "measure"
	Confirm StepKind = "confirm" // attested by hand
)

// Step is one thing to be done.
type Step struct {
	ID     string
	Kind   StepKind
	Tool   string // id of the tool that is used; none for Confirm
	Passes []Pass // of a torque step
	Strict bool   // the order is demanded
	Joint  Joint  // how it feels; the zero Joint is hard and lubricated
	// Value is what the part truly measures, in a measure step. The zero Value
	// lets the seed choose one well within Low and High.
	Value, Low, High quantity.Value
	How              How    // of a measure step: how the part is moved; "": the tip is set once
	Places, Cycles   int    // of How, where it has them
	Least            bool   // of ByBacklash: the least of the places is the value, else their mean
	Stack            Stack  // of a Shim step
	Answer           string // of a Confirm step, or of a Kit or Press step that is confirmed too
	// Before and After are what people attest ahead of the step's work and
	// behind it.
	Before, After []Attested
	Kit           []KitPart // of a Kit step
	Presses       []Place   // of a Press step
}

// How is how a part is moved while it is measured.
type How string

// The ways.
const (
	ByEndPlay  How = "end_play"
	ByBacklash How = "backlash"
	ByRunOut   How = "run_out"
	// ByDifference sets the tip at two places.
	ByDifference How = "difference"
)

// Pass is one round over the fasteners, or over some of them.
type Pass struct {
	Fasteners         []string // ids in the order to be pulled
	Target, Low, High quantity.Value
	Loose             bool          // drawn down in any order; the upper limit is none
	Unit              quantity.Unit // in which the target is stated; what the wrench should be set to
}

// FaultKind names a mistake.
type FaultKind string

// The mistakes. What each must bring about is said at faultTruths.
const (
	MissedBolt   FaultKind = "missed_bolt"     // one pull fewer; he goes on
	DoublePull   FaultKind = "double_pull"     // one fastener pulled twice
	LowPull      FaultKind = "low"             // let go too early, seen, pulled again at once
	LowLeft      FaultKind = "low_left"        // let go too early at the last fastener; he goes on
	HighPull     FaultKind = "high"            // run past the limit; a lead has it done again
	WrongOrder   FaultKind = "wrong_order"     // points at the fastener after the next one and pulls that first
	WrongUnit    FaultKind = "wrong_unit"      // the number is right, the wrench is set to another unit
	WrongTool    FaultKind = "wrong_tool"      // takes another wrench, then the right one
	Unplugged    FaultKind = "unplugged_cable" // the cable is out during a pull
	GarbledFrame FaultKind = "garbled_frame"   // a byte of the frame is damaged on the line
	NoisyLine    FaultKind = "noisy_line"      // bytes of noise come before a whole frame
	ResentFrame  FaultKind = "resent_frame"    // the tool does not hear the answer and sends again
)

// Fault is one mistake at one place.
type Fault struct {
	Kind FaultKind `json:"kind"`
	Step string    `json:"step"`
	// Pass is the index of the pass; -1 is the last one. A mistake that shifts
	// the count (missed, double, low left) must be in the last.
	Pass int `json:"pass"`
	// Fastener is the id of the fastener; "" lets the seed choose one (for
	// LowLeft always the last). Not used in a measure step.
	Fastener string        `json:"fastener,omitempty"`
	Tool     string        `json:"tool,omitempty"` // the wrong one, of WrongTool
	Unit     quantity.Unit `json:"unit,omitzero"`  // the wrong one, of WrongUnit; zero: N·m for lbf·ft, else lbf·ft
}

// Validate says what is wrong with p.
func (p Plan) Validate() error {
	tools := map[string]Model{}
	for _, t := range p.Tools {
		if err := t.validate(); err != nil {
			return err
		}
		if _, twice := tools[t.ID]; twice {
			return fmt.Errorf("read plan: tool %q is there twice", t.ID)
		}
		tools[t.ID] = t.Model
	}
	jobs := map[string]bool{}
	for _, j := range p.Jobs {
		if j.ID == "" || j.Bench == "" {
			return errors.New("read plan: a job needs an id and a bench")
		}
		if jobs[j.ID] {
			return fmt.Errorf("read plan: job %q is there twice", j.ID)
		}
		jobs[j.ID] = true
		if err := j.validate(tools); err != nil {
			return fmt.Errorf("read plan of job %s: %w", j.ID, err)
		}
	}
	return nil
}

func (j Job) validate(tools map[string]Model) error {
	for _, s := range j.Steps {
		if err := s.validate(tools); err != nil {
			return fmt.Errorf("step %s: %w", s.ID, err)
		}
		if s.Kind == Shim {
			if err := s.validateShim(j); err != nil {
				return fmt.Errorf("step %s: %w", s.ID, err)
			}
		}
	}
	type place struct {
		step string
		pass int
	}
	taken := map[place]bool{}
	for _, f := range j.Faults {
		pass, err := j.place(f, tools)
		at := place{f.Step, pass}
		if err == nil && taken[at] {
			err = errors.New("that pass has a fault already; give each its own pass")
		}
		if err != nil {
			return fmt.Errorf("fault %s in step %s: %w", f.Kind, f.Step, err)
		}
		taken[at] = true
	}
	return nil
}

func (s Step) validate(tools map[string]Model) error {
	if s.Kind == Confirm {
		return nil
	}
	if s.Kind == Kit || s.Kind == Press {
		return s.validateParts(tools)
	}
	model, ok := tools[s.Tool]
	if !ok {
		return fmt.Errorf("no tool %q in the plan", s.Tool)
	}
	switch s.Kind {
	case Measure, Shim:
		if model != PinnD3 {
			return fmt.Errorf("tool %s cannot measure; name a %s", s.Tool, PinnD3)
		}
		if s.Value.IsZero() && s.High.IsZero() {
			return errors.New("neither a value nor an upper limit is given")
		}
		return nil
	case Torque:
		if model == PinnD3 || model.presses() {
			return fmt.Errorf("tool %s is no torque wrench", s.Tool)
		}
		return s.validatePasses(model)
	}
	return fmt.Errorf("no kind %q; write torque, measure, confirm, kit, press or shim", s.Kind)
}

func (s Step) validatePasses(model Model) error {
	if len(s.Passes) == 0 {
		return errors.New("no passes")
	}
	for i, p := range s.Passes {
		target, ok := p.Target.Torque()
		if !ok || target.NewtonMetres() <= 0 || len(p.Fasteners) == 0 {
			return fmt.Errorf("pass %d needs fasteners and a target torque above nought", i)
		}
		if p.Low.Dimension() != quantity.DimTorque || p.High.Dimension() != quantity.DimTorque || p.Low.Base() > p.High.Base() {
			return fmt.Errorf("pass %d needs a lower and an upper limit", i)
		}
		if _, ok := unitWords[model][p.Unit]; !ok && !p.Unit.IsZero() {
			return fmt.Errorf("pass %d: tool %s has no %s", i, s.Tool, p.Unit.Symbol())
		}
	}
	return nil
}

// place finds the pass in which f is to happen, or says why it cannot.
func (j Job) place(f Fault, tools map[string]Model) (pass int, err error) {
	i := slices.IndexFunc(j.Steps, func(s Step) bool { return s.ID == f.Step })
	if i < 0 {
		return 0, errors.New("no such step")
	}
	if _, ok := faultTruths[f.Kind]; !ok {
		return 0, errors.New("no such kind of fault")
	}
	s := j.Steps[i]
	switch {
	case s.Kind == Confirm, s.Kind == Kit, s.Kind == Press, s.Kind == Shim, s.Kind == Measure && !slices.Contains([]FaultKind{GarbledFrame, NoisyLine, Unplugged}, f.Kind):
		return 0, fmt.Errorf("cannot happen in a %s step", s.Kind)
	case s.Kind == Measure:
		return 0, nil
	case f.Kind == ResentFrame && !tools[s.Tool].resends():
		return 0, fmt.Errorf("only %s and %s send again; step %s uses %s", VelmS5, TarnT9, s.ID, s.Tool)
	case f.Kind == WrongTool && (tools[f.Tool] == "" || tools[f.Tool] == PinnD3):
		return 0, fmt.Errorf("no torque wrench %q in the plan", f.Tool)
	}
	n := f.passOf(s)
	if n < 0 || n >= len(s.Passes) {
		return 0, fmt.Errorf("no pass %d", f.Pass)
	}
	if f.Fastener != "" && !slices.Contains(s.Passes[n].Fasteners, f.Fastener) {
		return 0, fmt.Errorf("no fastener %q in pass %d", f.Fastener, n)
	}
	return n, j.sensible(f, i, n)
}

// sensible says why a fault would not be what its name says there.
func (j Job) sensible(f Fault, step, n int) error {
	s := j.Steps[step]
	p := s.Passes[n]
	switch f.Kind {
	case WrongOrder:
		if len(p.Fasteners) < 2 {
			return errors.New("one fastener has no order")
		}
	case MissedBolt, LowLeft, DoublePull:
		if n != len(s.Passes)-1 {
			return errors.New("it shifts the count of the passes that follow; put it into the last pass")
		}
	case HighPull, WrongUnit:
		if p.Loose {
			return errors.New("in a loose pass nothing is too high")
		}
	}
	if f.Kind == WrongUnit {
		low, high := quantity.Of(p.Low.In(p.unit()), f.slipUnit(p)), quantity.Of(p.High.In(p.unit()), f.slipUnit(p))
		if low.Base() <= p.High.Base() && p.Low.Base() <= high.Base() {
			return errors.New("the limits overlap in the two units, so the number does not give the mistake away")
		}
	}
	if f.Kind == MissedBolt || f.Kind == LowLeft {
		return j.tellable(step, n)
	}
	if f.Kind == DoublePull {
		for _, later := range j.Steps[step+1:] {
			if later.Kind == Torque && later.Passes[0].holds(p.Target.Base()) {
				return fmt.Errorf("the pull too many would be right for step %s; choose another step", later.ID)
			}
		}
	}
	return nil
}

// tellable says why numbers alone cannot tell what is done before he goes back
// from what he left open in a pass: a later pull would be right for it, in its
// own or in another unit. What a record of numbers would then make of it, the
// truth does not say.
func (j Job) tellable(step, n int) error {
	open := j.Steps[step].Passes[n]
	for _, later := range j.Steps[step+1:] {
		if later.Kind == Confirm && j.Heed == AtOnce {
			return nil
		}
		for _, p := range later.Passes {
			number := p.Target.In(p.unit())
			for u := range unitWords[OrrinK2] {
				if open.holds(quantity.Of(number, u).Base()) {
					return fmt.Errorf("a pull of step %s would be right for what was left (%g as %s); choose another step, or %s",
						later.ID, number, u.Symbol(), AtOnce)
				}
			}
			if j.Heed == AtOnce {
				return nil
			}
		}
	}
	return nil
}

// slipUnit is the unit that the wrench is set to by mistake.
func (f Fault) slipUnit(p Pass) quantity.Unit {
	switch {
	case !f.Unit.IsZero():
		return f.Unit
	case p.unit() == quantity.PoundFoot:
		return quantity.NewtonMetre
	}
	return quantity.PoundFoot
}

func (f Fault) passOf(s Step) int {
	if f.Pass < 0 {
		return len(s.Passes) + f.Pass
	}
	return f.Pass
}
