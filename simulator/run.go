package simulator

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events/quantity"
)

// ErrRefused is what a Desk returns, perhaps wrapped, when the rules do not
// grant what was asked. Any other error ends the run.
var ErrRefused = errors.New("refused")

// Desk is what people do away from the tools, on the bench page.
type Desk interface {
	// Open opens the job at its bench.
	Open(ctx context.Context, j Job) error
	// Confirm attests a step.
	Confirm(ctx context.Context, j Job, step, answer string) error
	// Attest asks for one thing that people attest beside their work.
	Attest(ctx context.Context, j Job, a Attested) error
	// Point says at which fastener the next pull will be.
	Point(ctx context.Context, j Job, step, fastener string) error
	// Find returns which fastener of the step the page shows as undone; ""
	// if it points at none, or if pointing is not needed.
	Find(ctx context.Context, j Job, step string) (fastener string, err error)
	// Done reports whether the page shows a step as done.
	Done(ctx context.Context, j Job, step string) (bool, error)
	// Redo has the job's lead decide that a fastener is to be done again.
	Redo(ctx context.Context, j Job, step, fastener, reason string) error
	// Tidy acknowledges the job's open alerts, dismisses its unplaced readings
	// and has the lead settle what no later event can settle, with a reason.
	Tidy(ctx context.Context, j Job) error
	// Release asks to release the job.
	Release(ctx context.Context, j Job) error
}

// Stage is where a script is performed.
type Stage struct {
	Tools map[string]Tool // by id
	Desk  Desk
	// Settled is called after each reading that can arrive and returns once it
	// is decided. nil: nobody waits.
	Settled func(ctx context.Context, j Job, s Sent) error
	// Unlinked is called after a cable came out and returns once the machine has
	// noticed. nil: nobody waits.
	Unlinked func(ctx context.Context, tool string) error
	// Linked is called before a tool is used for the first time and after its
	// cable was put in, and returns once the machine listens to it again. nil:
	// nobody waits.
	Linked func(ctx context.Context, tool string) error
	// Saw is called before each action, from the bench's own goroutine; may be nil.
	Saw   func(j Job, a Action)
	Clock Clock // nil: WallClock(0), as quick as it goes
}

// Run performs the script: the benches side by side, the jobs of each bench
// one after another. It returns what it saw of each job, as Script.Jobs,
// once all it started has ended. The tools must be running.
func (s *Script) Run(ctx context.Context, stage Stage) ([]Outcome, error) {
	if stage.Clock == nil {
		stage.Clock = WallClock(0)
	}
	outcomes := make([]Outcome, len(s.Jobs))
	var order []string
	benches := map[string][]int{}
	for i, j := range s.Jobs {
		if benches[j.Job.Bench] == nil {
			order = append(order, j.Job.Bench)
		}
		benches[j.Job.Bench] = append(benches[j.Job.Bench], i)
	}
	group, ctx := errgroup.WithContext(ctx)
	for _, bench := range order {
		group.Go(func() error {
			for _, i := range benches[bench] {
				var err error
				if outcomes[i], err = s.Jobs[i].run(ctx, stage); err != nil {
					return err
				}
			}
			return nil
		})
	}
	err := group.Wait()
	return outcomes, err
}

// performer does one job.
type performer struct {
	Stage
	job       Job
	out       Outcome
	passed    []Action // measurements and confirmations since the last catching up
	linked    map[string]bool
	unplugged map[string]bool
	owed      []Sent                     // not waited for yet
	sent      []Sent                     // all that arrives
	asked     bool                       // release was asked for
	stacks    map[string]quantity.Length // what shims are in, by step
}

func (j JobScript) run(ctx context.Context, stage Stage) (Outcome, error) {
	p := &performer{Stage: stage, job: j.Job, out: Outcome{Job: j.Job.ID}, linked: map[string]bool{}, unplugged: map[string]bool{}, stacks: map[string]quantity.Length{}}
	for _, a := range j.Actions {
		if stage.Saw != nil {
			stage.Saw(j.Job, a)
		}
		if err := p.do(ctx, a); err != nil {
			return p.out, fmt.Errorf("simulate job %s, %s: %w", j.Job.ID, a, err)
		}
	}
	for _, s := range p.sent {
		if t, ok := p.Tools[s.Tool].(interface{ sentAgain(uint64) bool }); ok && t.sentAgain(s.Counter) {
			p.out.Slow++
		}
	}
	return p.out, nil
}

func (p *performer) do(ctx context.Context, a Action) error {
	if err := p.Clock.Sleep(ctx, a.Wait); err != nil {
		return err
	}
	if ours, err := p.parts(ctx, a); ours {
		return err
	}
	switch a.Do {
	case DoOpen:
		return p.Desk.Open(ctx, p.job)
	case DoPull:
		return p.read(ctx, a)
	case DoShims:
		return p.fit(ctx, a)
	case DoMeasure:
		p.passed = append(p.passed, a)
		if a.Stack.Under != "" {
			with, ok := p.withShims(a)
			if !ok {
				return p.granted(fmt.Errorf("%w: %w", ErrRefused, errNoShims))
			}
			a = with
		}
		return p.read(ctx, a)
	case DoUnit, DoUnplug, DoPlug:
		return p.handle(ctx, a)
	case DoConfirm:
		p.passed = append(p.passed, a)
		return p.granted(p.Desk.Confirm(ctx, p.job, a.Step, a.Answer))
	case DoAttest:
		return p.attest(ctx, a)
	case DoCatchUp:
		return p.catchUp(ctx)
	case DoPoint:
		return p.Desk.Point(ctx, p.job, a.Step, a.Fastener)
	case DoFind:
		return p.find(ctx, a)
	case DoDecide:
		return p.granted(p.Desk.Redo(ctx, p.job, a.Step, a.Fastener, a.Reason))
	case DoTidy:
		return p.Desk.Tidy(ctx, p.job)
	case DoRelease:
		return p.release(ctx)
	}
	return nil // DoComeBack is only told
}

func (p *performer) tool(id string) (Tool, error) {
	t, ok := p.Tools[id]
	if !ok {
		return nil, fmt.Errorf("no tool %q on the stage", id)
	}
	return t, nil
}

// read takes a reading and waits until it is decided.
func (p *performer) read(ctx context.Context, a Action) error {
	t, err := p.tool(a.Tool)
	if err != nil {
		return err
	}
	if err := p.link(ctx, a.Tool); err != nil {
		return err
	}
	var sent Sent
	if f, ok := t.(Follower); ok && a.Course != nil {
		return p.follow(ctx, a, t, f)
	}
	if a.Do == DoMeasure {
		sent, err = t.Measure(ctx, a.Length, a.Wire)
	} else {
		if err := p.Clock.Sleep(ctx, a.Pull.Whole); err != nil {
			return err
		}
		sent, err = t.Pull(ctx, a.Pull, a.Wire)
	}
	if err != nil {
		return err
	}
	if sent.Arrives {
		p.owed, p.sent = append(p.owed, sent), append(p.sent, sent)
	}
	if err := p.settle(ctx, a.Tool); err != nil {
		return err
	}
	return t.Lift()
}

// Led is a Desk that shows how many values of a measurement were taken.
type Led interface {
	// Taken returns how many values of a step were taken, or done true.
	Taken(ctx context.Context, j Job, step string) (n int, done bool, err error)
	// Again begins the measurement of a step anew.
	Again(ctx context.Context, j Job, step string) error
}

// followMost is how often a part is moved anew until the page has its value: a
// person who is led by a screen that lost some samples does it once more.
const followMost = 4

// follow moves a part under an indicator until the page shows the step as
// done, or patience has ended. Where the page shows what was taken, the
// technician holds still until it was, and begins anew if the page is not
// content at the end.
func (p *performer) follow(ctx context.Context, a Action, t Tool, f Follower) error {
	led, isLed := p.Desk.(Led)
	for try := 1; ; try++ {
		if err := p.move(ctx, a, f); err != nil {
			return err
		}
		done := false
		err := p.until(ctx, func() (_ bool, err error) {
			if done, err = p.Desk.Done(ctx, p.job, a.Step); !done && err == nil && isLed {
				_, done, err = led.Taken(ctx, p.job, a.Step) // a value out of limits is one too
			}
			return done, err
		})
		if err != nil {
			return err
		}
		if err := t.Lift(); err != nil || done || !isLed || try == followMost {
			return err
		}
		if err := led.Again(ctx, p.job, a.Step); err != nil && !errors.Is(err, ErrRefused) { // nothing was taken: there is nothing to begin anew
			return err
		}
	}
}

// move moves the part once.
func (p *performer) move(ctx context.Context, a Action, f Follower) error {
	return f.Follow(ctx, *a.Course, a.Wire, func(ctx context.Context, point bool, long time.Duration) error {
		led, ok := p.Desk.(Led)
		if !ok || !point {
			return sleep(ctx, long)
		}
		before, done, err := led.Taken(ctx, p.job, a.Step)
		if err != nil || done {
			return err
		}
		return p.until(ctx, func() (bool, error) {
			n, done, err := led.Taken(ctx, p.job, a.Step)
			return n > before || done, err
		})
	})
}

// until looks at the page until it shows something, or patience ends.
func (p *performer) until(ctx context.Context, shows func() (bool, error)) error {
	for range followTries {
		if ok, err := shows(); ok || err != nil {
			return err
		}
		if err := sleep(ctx, followWait); err != nil {
			return err
		}
	}
	return nil
}

// How long the page is looked at for a value.
const (
	followWait  = 30 * time.Millisecond
	followTries = 300
)

// settle waits for the readings of a tool, unless its cable is out: then they
// come once it is in again.
func (p *performer) settle(ctx context.Context, tool string) error {
	if p.unplugged[tool] {
		return nil
	}
	var later []Sent
	for _, s := range p.owed {
		if s.Tool != tool {
			later = append(later, s)
			continue
		}
		if p.Settled == nil {
			continue
		}
		if err := p.Settled(ctx, p.job, s); err != nil {
			return err
		}
	}
	p.owed = later
	return nil
}

// link waits until the machine listens to a tool.
func (p *performer) link(ctx context.Context, tool string) error {
	if p.linked[tool] || p.Linked == nil {
		return nil
	}
	p.linked[tool] = true
	return p.Linked(ctx, tool)
}

func (p *performer) handle(ctx context.Context, a Action) error {
	t, err := p.tool(a.Tool)
	if err != nil {
		return err
	}
	switch a.Do {
	case DoUnit:
		return t.SetUnit(a.Unit)
	case DoUnplug:
		p.linked[a.Tool], p.unplugged[a.Tool] = true, true // there is nothing to wait for
		if err := t.Plug(false); err != nil || p.Unlinked == nil {
			return err
		}
		return p.Unlinked(ctx, a.Tool)
	}
	p.linked[a.Tool], p.unplugged[a.Tool] = false, false
	if err := t.Plug(true); err != nil {
		return err
	}
	if err := p.link(ctx, a.Tool); err != nil {
		return err
	}
	t.Listened()
	return p.settle(ctx, a.Tool)
}

// granted notes a refusal and goes on, as a person does.
func (p *performer) granted(err error) error {
	if errors.Is(err, ErrRefused) {
		p.note(err)
		return nil
	}
	return err
}

// catchUp measures and confirms again, in order, what did not count while
// something before it was undone.
func (p *performer) catchUp(ctx context.Context) error {
	again := p.passed
	p.passed = nil
	for _, a := range again {
		done, err := p.Desk.Done(ctx, p.job, a.Step)
		if err != nil {
			return err
		}
		if done && a.Attest.Kind != AttestClose {
			continue
		}
		if err := p.do(ctx, a); err != nil {
			return err
		}
	}
	p.passed = nil
	return nil
}

func (p *performer) find(ctx context.Context, a Action) error {
	fastener, err := p.Desk.Find(ctx, p.job, a.Step)
	if err != nil || fastener == "" {
		return err
	}
	return p.Desk.Point(ctx, p.job, a.Step, fastener)
}

func (p *performer) release(ctx context.Context) error {
	err := p.Desk.Release(ctx, p.job)
	first := !p.asked
	p.asked = true
	if errors.Is(err, ErrRefused) {
		p.note(err)
		p.out.RefusedFirst = p.out.RefusedFirst || first
		return nil
	}
	p.out.Released = err == nil
	return err
}

func (p *performer) note(err error) { p.out.Refusals = append(p.out.Refusals, err.Error()) }
