package simulator

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"witnessmark/events/quantity"
)

// Deed is one kind of thing that a person does.
type Deed string

// The deeds.
const (
	DoOpen     Deed = "open"     // opens the job
	DoUnit     Deed = "unit"     // sets the wrench to a unit
	DoPull     Deed = "pull"     // pulls a fastener
	DoMeasure  Deed = "measure"  // takes a measurement
	DoConfirm  Deed = "confirm"  // attests a step
	DoAttest   Deed = "attest"   // answers what a step asks, closes a loose end, or has a hold point released
	DoPoint    Deed = "point"    // says which fastener is pulled next
	DoFind     Deed = "find"     // looks up which fastener of the step is undone and points at it
	DoDecide   Deed = "decide"   // a lead sends a fastener back to be done again
	DoUnplug   Deed = "unplug"   // the cable comes out
	DoPlug     Deed = "plug"     // the cable is put in again
	DoCatchUp  Deed = "catch_up" // measures and confirms again what did not count
	DoTidy     Deed = "tidy"     // the alerts are acknowledged, and a lead settles those that nothing else can
	DoRelease  Deed = "release"  // asks for release
	DoComeBack Deed = "back"     // goes back to a step that was left
)

// Action is one deed, with all that it needs.
type Action struct {
	Do       Deed
	Wait     time.Duration // before it
	Step     string
	Pass     int
	Fastener string // the one that is truly touched
	Tool     string
	Unit     quantity.Unit   // of DoUnit
	Pull     Pull            // of DoPull
	Length   quantity.Length // of DoMeasure
	Course   *Course         // of DoMeasure: the part is moved; nil: the tip is set once
	Stack    Stack           // of DoShims, and of the DoMeasure after it: Length is then the play without shims
	Want     quantity.Length // of DoShims: the play that is wanted
	How      How             // of a DoMeasure after DoShims, with Cycles
	Cycles   int
	Wire     Wire       // of DoPull and DoMeasure
	Answer   string     // of DoConfirm
	Attest   Attested   // of DoAttest
	Reason   string     // of DoDecide
	Part     PartAnswer // of DoPart
	Hands    []Hand     // of DoPair
	Pressing Pressing   // of DoPress
	Fault    FaultKind  // the mistake it belongs to, "" for none
}

// Script is everything that happens in a plan.
type Script struct {
	Plan Plan
	Jobs []JobScript // as Plan.Jobs
}

// JobScript is everything that happens in one job, in order.
type JobScript struct {
	Job     Job
	Actions []Action
	Truth   Truth
}

// Build works out what happens. The same plan gives the same script; the
// chance of each job is its own, so that adding a job changes no other.
func Build(p Plan) (*Script, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	s := &Script{Plan: p}
	for _, j := range p.Jobs {
		b := &builder{job: j, tools: map[string]ToolSpec{}, units: map[string]quantity.Unit{},
			rng:   rand.New(rand.NewPCG(p.Seed, hash(j.ID))),
			truth: Truth{Job: j.ID, Released: true}}
		for _, t := range p.Tools {
			b.tools[t.ID] = t
		}
		if b.run(); b.err != nil {
			return nil, fmt.Errorf("build job %s: %w", j.ID, b.err)
		}
		s.Jobs = append(s.Jobs, JobScript{Job: j, Actions: b.actions, Truth: b.truth})
	}
	return s, nil
}

// builder writes the script of one job.
type builder struct {
	job     Job
	tools   map[string]ToolSpec
	units   map[string]quantity.Unit // that each wrench was last set to
	rng     *rand.Rand
	actions []Action
	truth   Truth
	left    []undone // to be gone back to
	err     error    // what cannot be planned
}

// undone is a fastener that was left out.
type undone struct {
	step     int
	pass     int
	fastener string
	bolt     *bolt
}

func (b *builder) add(a Action) { b.actions = append(b.actions, a) }

func (b *builder) run() {
	b.add(Action{Do: DoOpen})
	for i := range b.job.Steps {
		b.step(i)
	}
	if len(b.left) > 0 {
		b.truth.Refused = true
		b.add(Action{Do: DoRelease, Wait: b.pause(20, 60)})
		b.goBack()
	}
	if len(b.truth.Faults) > 0 {
		b.add(Action{Do: DoTidy, Wait: b.pause(5, 20)})
	}
	b.add(Action{Do: DoRelease, Wait: b.pause(10, 30)})
}

func (b *builder) pause(lo, hi float64) time.Duration { return seconds(between(b.rng, lo, hi)) }

func (b *builder) step(i int) {
	s := b.job.Steps[i]
	b.attest(s.Before)
	defer b.attest(s.After)
	switch s.Kind {
	case Confirm:
		b.add(Action{Do: DoConfirm, Wait: b.pause(20, 60), Step: s.ID, Answer: s.Answer})
		b.noticed()
	case Measure:
		b.measure(s) // a settled value says nothing of what was left before it
	case Torque:
		b.torque(i, s)
	case Kit:
		b.kit(s)
	case Press:
		b.press(s)
	case Shim:
		b.shim(s)
	}
}

// noticed goes back at once, if the technician is of that kind and something
// was left open before the deed that was just done: an alert says so.
func (b *builder) noticed() {
	if len(b.left) > 0 && b.job.Heed == AtOnce {
		b.goBack()
	}
}

func (b *builder) goBack() {
	for _, u := range b.left {
		s := b.job.Steps[u.step]
		pass := s.Passes[u.pass]
		b.add(Action{Do: DoComeBack, Wait: b.pause(10, 40), Step: s.ID})
		b.setUnit(s, pass)
		b.add(Action{Do: DoFind, Step: s.ID, Pass: u.pass, Fastener: u.fastener})
		b.pull(s, u.pass, u.fastener, u.bolt, b.aim(pass), Wire{}, "")
		b.conclude(s, u.fastener, u.bolt)
	}
	b.left = nil
	b.add(Action{Do: DoCatchUp})
}

func (b *builder) measure(s Step) {
	v := s.Value
	if v.IsZero() {
		v = b.truly(s)
	}
	length, _ := v.Length()
	b.truth.Measures = append(b.truth.Measures, Measured{s.ID, v})
	a := Action{Do: DoMeasure, Wait: b.pause(15, 45), Step: s.ID, Tool: s.Tool, Length: length, Course: b.course(s, length)}
	if f, ok := b.fault(s); ok {
		b.truth.expect(f, false, false)
		a.Fault = f.Kind
		switch f.Kind {
		case GarbledFrame:
			a.Wire.Garble = 2
		case NoisyLine:
			a.Wire.Noise = 9
		case Unplugged:
			b.add(Action{Do: DoUnplug, Wait: a.Wait, Step: s.ID, Tool: s.Tool, Fault: f.Kind})
			b.add(Action{Do: DoPlug, Wait: b.pause(3, 8), Step: s.ID, Tool: s.Tool, Fault: f.Kind})
		}
	}
	if a.Course == nil { // else the samples count, whatever the tool settles on
		b.truth.Readings++
	}
	b.add(a)
}

// course moves a part that truly measures so much; nil where it is not moved.
func (b *builder) course(s Step, truly quantity.Length) *Course {
	var c Course
	switch s.How {
	case ByEndPlay:
		c = EndPlayCourse(truly, max(s.Cycles, 1))
	case ByBacklash:
		plays := make([]quantity.Length, max(s.Places, 1))
		for i := range plays { // it varies round the gear, and its mean or its least is the truth
			plays[i] = quantity.Millimetres(truly.Millimetres() + 0.006*(math.Cos(2*math.Pi*float64(i)/float64(len(plays)))+least(s, len(plays))))
		}
		c = BacklashCourse(plays, max(s.Cycles, 1))
	case ByDifference:
		c = DifferenceCourse(truly)
	case ByRunOut:
		c = RunOutCourse(quantity.Millimetres(truly.Millimetres()/2), quantity.Length{}, quantity.Degrees(between(b.rng, 20, 160)))
	default:
		return nil
	}
	return &c
}

// least lifts plays round a gear so that the least of them is the truth, where
// that is what is wanted.
func least(s Step, places int) float64 {
	if !s.Least || places < 2 {
		return 0
	}
	low := 1.0
	for i := range places {
		low = min(low, math.Cos(2*math.Pi*float64(i)/float64(places)))
	}
	return -low
}

// truly chooses what a good part measures: the middle half between the
// limits, or well below the only one.
func (b *builder) truly(s Step) quantity.Value {
	if s.Low.IsZero() {
		return s.High.WithBase(s.High.Base() * between(b.rng, 0.3, 0.6))
	}
	return s.High.WithBase(s.Low.Base() + (s.High.Base()-s.Low.Base())*between(b.rng, 0.3, 0.7))
}

func (b *builder) torque(i int, s Step) {
	greatest := 0.0
	for _, p := range s.Passes {
		greatest = math.Max(greatest, p.Target.Base())
	}
	bolts := map[string]*bolt{}
	for _, p := range s.Passes {
		for _, id := range p.Fasteners {
			if bolts[id] == nil {
				bolts[id] = newBolt(b.rng, s.Joint, greatest)
			}
		}
	}
	chosen := b.choose(s)
	for n := range s.Passes {
		b.pass(i, n, bolts, chosen[n])
	}
	done := map[string]bool{}
	for _, p := range s.Passes {
		for _, id := range p.Fasteners {
			if !done[id] {
				b.conclude(s, id, bolts[id])
			}
			done[id] = true
		}
	}
}

// choose lets the seed choose the fasteners of the faults in s that name
// none, by pass and fastener.
func (b *builder) choose(s Step) map[int]map[string]Fault {
	all := map[int]map[string]Fault{}
	for _, f := range b.job.Faults {
		if f.Step != s.ID {
			continue
		}
		f.Pass = f.passOf(s)
		ids := s.Passes[f.Pass].Fasteners
		if all[f.Pass] == nil {
			all[f.Pass] = map[string]Fault{}
		}
		switch {
		case f.Kind == LowLeft:
			f.Fastener = ids[len(ids)-1]
		case f.Fastener == "" && len(ids) > 2:
			f.Fastener = ids[1+b.rng.IntN(len(ids)-2)] // neither the first nor the last
		case f.Fastener == "":
			f.Fastener = ids[0]
		}
		if f.Kind == WrongOrder && f.Fastener == ids[len(ids)-1] {
			f.Fastener = ids[len(ids)-2]
		}
		all[f.Pass][f.Fastener] = f
	}
	return all
}

// fault returns the fault of a measure step.
func (b *builder) fault(s Step) (Fault, bool) {
	i := slices.IndexFunc(b.job.Faults, func(f Fault) bool { return f.Step == s.ID })
	if i < 0 {
		return Fault{}, false
	}
	return b.job.Faults[i], true
}

// pass does one round.
func (b *builder) pass(step, n int, bolts map[string]*bolt, faults map[string]Fault) {
	s := b.job.Steps[step]
	p := s.Passes[n]
	b.setUnit(s, p)
	ids := slices.Clone(p.Fasteners)
	for at := 0; at < len(ids); at++ {
		id := ids[at]
		f, wrong := faults[id]
		if wrong && f.Kind == WrongOrder {
			b.truth.expect(f, s.Strict && !p.Loose, false)
			ids[at], ids[at+1] = ids[at+1], ids[at]
			b.add(Action{Do: DoPoint, Wait: b.pause(1, 2), Step: s.ID, Pass: n, Fastener: ids[at], Fault: f.Kind})
			b.pull(s, n, ids[at], bolts[ids[at]], b.aim(p), Wire{}, f.Kind)
			delete(faults, id)
			continue
		}
		if wrong {
			b.mistake(f, step, n, id, bolts[id])
		} else {
			b.pull(s, n, id, bolts[id], b.aim(p), Wire{}, "")
		}
		if len(b.left) > 0 && b.left[0].step != step {
			b.noticed()
			b.setUnit(s, p)
		}
	}
}

// mistake pulls one fastener in the wrong way.
func (b *builder) mistake(f Fault, step, n int, id string, o *bolt) {
	s := b.job.Steps[step]
	p := s.Passes[n]
	once := !b.tools[s.Tool].Model.resends()
	b.truth.expect(f, s.Strict, once)
	good := func(w Wire, k FaultKind) { b.pull(s, n, id, o, b.aim(p), w, k) }
	switch f.Kind {
	case MissedBolt:
		b.left = append(b.left, undone{step, n, id, o})
	case DoublePull:
		good(Wire{}, "")
		good(Wire{}, f.Kind)
	case LowPull, LowLeft:
		b.pull(s, n, id, o, b.astray(f, step, n, p.Low.Base(), belowLimit...), Wire{}, f.Kind)
		if f.Kind == LowPull {
			good(Wire{}, "")
		} else {
			b.left = append(b.left, undone{step, n, id, o})
		}
	case HighPull:
		b.pull(s, n, id, o, b.astray(f, step, n, p.High.Base(), aboveLimit...), Wire{}, f.Kind)
		b.redo(s, n, id, o, f.Kind)
	case WrongUnit:
		b.slip(f, s, n, id, o)
	case WrongTool:
		other := s
		other.Tool = f.Tool
		b.setUnit(other, p)
		b.pull(other, n, id, o, b.aim(p), Wire{}, f.Kind)
		good(Wire{}, "")
	case Unplugged:
		b.add(Action{Do: DoUnplug, Wait: b.pause(1, 3), Step: s.ID, Tool: s.Tool, Fault: f.Kind})
		good(Wire{}, f.Kind)
		b.add(Action{Do: DoPlug, Wait: b.pause(3, 8), Step: s.ID, Tool: s.Tool, Fault: f.Kind})
		b.again(once, s, n, id, good)
	case GarbledFrame:
		good(Wire{Garble: 1}, f.Kind)
		b.again(once, s, n, id, good)
	case NoisyLine:
		good(Wire{Noise: 7}, f.Kind)
	case ResentFrame:
		good(Wire{Deaf: 1}, f.Kind)
	}
}

// again pulls once more if the reading before was lost. The fastener is tight
// by then and hardly turns, which alone would look like a second pull on its
// neighbour; so he says on the page which one it is.
func (b *builder) again(lost bool, s Step, n int, id string, good func(Wire, FaultKind)) {
	if lost {
		b.truth.Readings--
		b.add(Action{Do: DoPoint, Wait: b.pause(1, 2), Step: s.ID, Pass: n, Fastener: id})
		good(Wire{}, "")
	}
}

// redo has a lead send the fastener back, slackens it and pulls it anew, in
// all of its passes so far: a slackened bolt begins at the beginning.
func (b *builder) redo(s Step, n int, id string, o *bolt, k FaultKind) {
	b.add(Action{Do: DoDecide, Wait: b.pause(20, 60), Step: s.ID, Pass: n, Fastener: id, Fault: k,
		Reason: "bolt renewed and tightened again"})
	o.torque = 0
	for m, p := range s.Passes[:n+1] {
		if slices.Contains(p.Fasteners, id) {
			b.setUnit(s, p)
			b.pull(s, m, id, o, b.aim(p), Wire{}, "")
		}
	}
}

// slip pulls to the right number in the wrong unit.
func (b *builder) slip(f Fault, s Step, n int, id string, o *bolt) {
	p := s.Passes[n]
	right, wrong := p.unit(), f.slipUnit(p)
	p.Unit = wrong
	b.setUnit(s, p)
	number := p.Target.WithBase(b.aim(p)).In(right)
	peak := quantity.Of(number, wrong).Base()
	b.pull(s, n, id, o, peak, Wire{}, f.Kind)
	p.Unit = right
	b.setUnit(s, p)
	if peak > p.High.Base() {
		b.redo(s, n, id, o, f.Kind)
		return
	}
	b.pull(s, n, id, o, b.aim(p), Wire{}, "")
}

// astray returns a peak (N·m) that is low or high and can be nothing else: a
// share of limit that is the right number in no other unit, and right in no
// other pass or later step. It tries near the limit first. Where there is
// none, the plan is at fault.
func (b *builder) astray(f Fault, step, n int, limit float64, shares ...[2]float64) float64 {
	for _, s := range shares {
		for range 60 {
			peak := limit * between(b.rng, s[0], s[1])
			if !b.explained(step, n, peak) {
				return peak
			}
		}
	}
	b.err = fmt.Errorf("plan fault %s in step %s: any such pull would be right in another unit, pass or step; choose another step", f.Kind, f.Step)
	return limit
}

var (
	belowLimit = [][2]float64{{0.88, 0.97}, {0.5, 0.88}, {0.2, 0.5}}
	aboveLimit = [][2]float64{{1.04, 1.15}, {1.15, 1.4}, {1.4, 1.7}}
)

// explained reports whether a peak could be taken for something that is right.
func (b *builder) explained(step, n int, peak float64) bool {
	p := b.job.Steps[step].Passes[n]
	number := p.Target.WithBase(peak).In(p.unit())
	for _, u := range quantity.Units() {
		if u.Dimension() == quantity.DimTorque && u != p.unit() && p.holds(quantity.Of(number, u).Base()) {
			return true
		}
	}
	for i, s := range b.job.Steps[step:] {
		for k, other := range s.Passes {
			if (i > 0 || k != n) && other.holds(peak) {
				return true
			}
		}
	}
	return false
}

// holds reports whether a peak (N·m) is within the limits, or within 1 % of
// them, which a tool's error may hide.
func (p Pass) holds(peak float64) bool {
	return 0.99*p.Low.Base() <= peak && peak <= 1.01*p.High.Base()
}

// aim returns the peak (N·m) of a good pull.
func (b *builder) aim(p Pass) float64 {
	return hand(b.rng, p.Target.Base(), p.Low.Base(), p.High.Base())
}

func (p Pass) unit() quantity.Unit {
	if p.Unit.IsZero() {
		return quantity.NewtonMetre
	}
	return p.Unit
}

// setUnit sets the wrench to the unit of the pass, if it is not.
func (b *builder) setUnit(s Step, p Pass) {
	now, ok := b.units[s.Tool]
	if ok && now == p.unit() {
		return
	}
	b.units[s.Tool] = p.unit()
	b.add(Action{Do: DoUnit, Wait: b.pause(1, 3), Step: s.ID, Tool: s.Tool, Unit: p.unit()})
}

func (b *builder) pull(s Step, n int, id string, o *bolt, peak float64, w Wire, k FaultKind) {
	b.truth.Readings++
	b.add(Action{Do: DoPull, Wait: b.pause(3, 9), Step: s.ID, Pass: n, Fastener: id, Tool: s.Tool,
		Pull: o.pull(b.rng, peak), Wire: w, Fault: k})
}

// conclude writes down, or corrects, what became of a fastener.
func (b *builder) conclude(s Step, id string, o *bolt) {
	t := Tightened{Step: s.ID, Fastener: id, Torque: quantity.NewtonMetres(o.torque).Value(), Pulls: o.pulls}
	for _, p := range s.Passes {
		if slices.Contains(p.Fasteners, id) {
			t.Within = p.Low.Base() <= o.torque && o.torque <= p.High.Base()
		}
	}
	same := func(x Tightened) bool { return x.Step == s.ID && x.Fastener == id }
	if i := slices.IndexFunc(b.truth.Fasteners, same); i >= 0 {
		b.truth.Fasteners[i] = t
		return
	}
	b.truth.Fasteners = append(b.truth.Fasteners, t)
}

// String tells the action in one line.
func (a Action) String() string {
	s := fmt.Sprintf("%s %s %s", a.Do, a.Step, a.Fastener)
	if a.Do == DoPull {
		s += " " + quantity.Format(a.Pull.Peak.Value(), quantity.NewtonMetre, 2)
	}
	if a.Fault != "" {
		s += " (" + string(a.Fault) + ")"
	}
	return s
}
