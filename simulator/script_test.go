package simulator

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events/quantity"
)

func around(target, share float64, unit quantity.Unit, ids ...string) Pass {
	v := quantity.Of(target, unit)
	return Pass{Fasteners: ids, Target: v, Low: v.WithBase(v.Base() * (1 - share)), High: v.WithBase(v.Base() * (1 + share)), Unit: unit}
}

// plan is a little job: a joint in two passes, a measurement, a word, another
// joint, all invented.
func plan(faults ...Fault) Plan {
	six := []string{"1", "4", "2", "5", "3", "6"}
	return Plan{
		Seed: 7, Start: time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC),
		Tools: []ToolSpec{{ID: "k2", Model: OrrinK2}, {ID: "s5", Model: VelmS5}, {ID: "d3", Model: PinnD3}},
		Jobs: []Job{{
			ID: "J1", Bench: "axle", Technician: "ines", Lead: "maren", Faults: faults,
			Steps: []Step{
				{ID: "kit", Kind: Confirm},
				{ID: "cover", Kind: Torque, Tool: "k2", Strict: true, Passes: []Pass{around(40, 0.15, quantity.NewtonMetre, six...), around(80, 0.08, quantity.NewtonMetre, six...)}},
				{ID: "play", Kind: Measure, Tool: "d3", Low: quantity.Millimetres(0.1).Value(), High: quantity.Millimetres(0.3).Value()},
				{ID: "seen", Kind: Confirm, Answer: "yes"},
				{ID: "retainer", Kind: Torque, Tool: "s5", Passes: []Pass{around(14, 0.1, quantity.PoundFoot, "1", "2", "3")}},
			},
		}},
	}
}

func build(t *testing.T, p Plan) *Script {
	t.Helper()
	s, err := Build(p)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func deeds(s *Script, do Deed) (all []Action) {
	for _, a := range s.Jobs[0].Actions {
		if a.Do == do {
			all = append(all, a)
		}
	}
	return all
}

func TestCleanJob(t *testing.T) {
	s := build(t, plan())
	truth := s.Jobs[0].Truth
	if len(truth.Must)+len(truth.May)+len(truth.Faults) > 0 || truth.Refused || !truth.Released {
		t.Errorf("a clean job's truth is %+v", truth)
	}
	if pulls := deeds(s, DoPull); len(pulls) != 15 || truth.Readings != 16 {
		t.Errorf("%d pulls, %d readings; want 15 and 16", len(pulls), truth.Readings)
	}
	if len(truth.Fasteners) != 9 {
		t.Errorf("%d fasteners, want 9", len(truth.Fasteners))
	}
	for _, f := range truth.Fasteners {
		if !f.Within {
			t.Errorf("%s %s is at %v", f.Step, f.Fastener, f.Torque)
		}
	}
	if m := truth.Measures[0].Value.Base(); !(0.1 < m && m < 0.3) {
		t.Errorf("play %v mm", m)
	}
	if d := deeds(s, DoTidy); len(d) != 0 {
		t.Error("a clean job is tidied up")
	}
}

func TestTruthOfEachFault(t *testing.T) {
	for _, c := range []struct {
		name    string
		fault   Fault
		must    []string
		refused bool
		pulls   int // 15 in a clean job
		has     Deed
	}{
		{"missed bolt", Fault{Kind: MissedBolt, Step: "cover", Pass: -1}, []string{"missed_fastener"}, true, 15, DoFind},
		{"double pull", Fault{Kind: DoublePull, Step: "cover", Pass: -1}, nil, false, 16, DoTidy},
		{"low", Fault{Kind: LowPull, Step: "cover", Pass: 0}, nil, false, 16, DoPull},
		{"low, left", Fault{Kind: LowLeft, Step: "cover", Pass: -1}, []string{"low_left"}, true, 16, DoFind},
		{"high", Fault{Kind: HighPull, Step: "cover", Pass: -1, Fastener: "2"}, []string{"high"}, false, 17, DoDecide},
		{"wrong order, strict", Fault{Kind: WrongOrder, Step: "cover", Pass: -1}, []string{"out_of_order"}, false, 15, DoPoint},
		{"wrong order, advised", Fault{Kind: WrongOrder, Step: "retainer", Pass: -1}, nil, false, 15, DoPoint},
		{"wrong unit, low", Fault{Kind: WrongUnit, Step: "retainer", Pass: -1}, []string{"unit_slip"}, false, 16, DoUnit},
		{"wrong unit, high", Fault{Kind: WrongUnit, Step: "cover", Pass: -1}, []string{"unit_slip"}, false, 17, DoDecide},
		{"wrong tool", Fault{Kind: WrongTool, Step: "cover", Pass: -1, Tool: "s5"}, []string{"wrong_tool"}, false, 16, DoPull},
		{"cable of a tool that sends once", Fault{Kind: Unplugged, Step: "cover", Pass: 0}, []string{"reading_lost"}, false, 16, DoUnplug},
		{"cable of a tool that sends again", Fault{Kind: Unplugged, Step: "retainer", Pass: 0}, nil, false, 15, DoPlug},
		{"cable of an indicator", Fault{Kind: Unplugged, Step: "play"}, nil, false, 15, DoPlug},
		{"damaged, sent once", Fault{Kind: GarbledFrame, Step: "cover", Pass: 0}, []string{"reading_lost"}, false, 16, DoPull},
		{"damaged, sent again", Fault{Kind: GarbledFrame, Step: "retainer", Pass: 0}, nil, false, 15, DoPull},
		{"damaged samples", Fault{Kind: GarbledFrame, Step: "play"}, nil, false, 15, DoMeasure},
		{"noise", Fault{Kind: NoisyLine, Step: "cover", Pass: 0}, nil, false, 15, DoPull},
		{"resent", Fault{Kind: ResentFrame, Step: "retainer", Pass: 0}, nil, false, 15, DoPull},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := build(t, plan(c.fault))
			truth := s.Jobs[0].Truth
			if !slices.Equal(truth.Must, c.must) || truth.Refused != c.refused || !truth.Released {
				t.Errorf("must %v, refused %t, released %t; want %v, %t, true", truth.Must, truth.Refused, truth.Released, c.must, c.refused)
			}
			if n := len(deeds(s, DoPull)); n != c.pulls {
				t.Errorf("%d pulls, want %d", n, c.pulls)
			}
			if len(deeds(s, c.has)) == 0 {
				t.Errorf("nobody does %s", c.has)
			}
			if len(truth.Faults) != 1 || truth.Faults[0].Kind != c.fault.Kind {
				t.Errorf("faults %+v", truth.Faults)
			}
			for _, f := range truth.Fasteners {
				// A wrong tool reaches the same torque; in the end all are good.
				if !f.Within {
					t.Errorf("%s %s is at %v", f.Step, f.Fastener, f.Torque)
				}
			}
		})
	}
}

// A pull that goes astray must be low or high in itself: right in no other
// unit (40 lbf·ft is 54 N·m), in no other pass and in no later step.
func TestAstrayPullsAreNothingElse(t *testing.T) {
	for seed := range uint64(200) {
		for _, kind := range []FaultKind{LowPull, HighPull} {
			p := plan(Fault{Kind: kind, Step: "cover", Pass: -1}, Fault{Kind: kind, Step: "retainer", Pass: 0})
			p.Seed = seed
			for _, a := range deeds(build(t, p), DoPull) {
				if a.Fault == "" {
					continue
				}
				low, high, unit := 80*0.92, 80*1.08, quantity.NewtonMetre
				if a.Step == "retainer" {
					low, high, unit = quantity.PoundFeet(14*0.9).NewtonMetres(), quantity.PoundFeet(14*1.1).NewtonMetres(), quantity.PoundFoot
				}
				peak := a.Pull.Peak.NewtonMetres()
				if (kind == LowPull) != (peak < low) || (kind == HighPull) != (peak > high) {
					t.Errorf("%s: %v N·m", kind, peak)
				}
				number := a.Pull.Peak.Value().In(unit)
				for _, u := range []quantity.Unit{quantity.NewtonMetre, quantity.PoundFoot, quantity.PoundInch, quantity.KilogramForceMetre} {
					if v := quantity.Of(number, u).Base(); u != unit && low <= v && v <= high {
						t.Errorf("seed %d: %s of %v N·m would be right in %s", seed, kind, peak, u.Symbol())
					}
				}
			}
		}
	}
}

func TestSamePlanSameScript(t *testing.T) {
	p := plan(Fault{Kind: MissedBolt, Step: "cover", Pass: -1})
	one, two := build(t, p), build(t, p)
	same := cmp.AllowUnexported(quantity.Torque{}, quantity.Angle{}, quantity.Length{}, quantity.Force{}, quantity.Value{}, quantity.Unit{})
	if d := cmp.Diff(one, two, same); d != "" {
		t.Error(d)
	}
	more := plan(Fault{Kind: MissedBolt, Step: "cover", Pass: -1})
	other := plan().Jobs[0]
	other.ID = "J0"
	more.Jobs = append([]Job{other}, more.Jobs...)
	if d := cmp.Diff(one.Jobs[0], build(t, more).Jobs[1], same); d != "" {
		t.Errorf("another job changed this one:\n%s", d)
	}
	p.Seed++
	if cmp.Equal(one.Jobs[0].Actions, build(t, p).Jobs[0].Actions, same) {
		t.Error("another seed gives the same script")
	}
}

func TestPlansThatCannotBe(t *testing.T) {
	for name, c := range map[string]struct {
		fault Fault
		want  string
	}{
		"no such step":       {Fault{Kind: LowPull, Step: "x"}, "no such step"},
		"no such kind":       {Fault{Kind: "x", Step: "cover"}, "no such kind"},
		"no such pass":       {Fault{Kind: LowPull, Step: "cover", Pass: 5}, "no pass"},
		"no such fastener":   {Fault{Kind: LowPull, Step: "cover", Fastener: "9"}, "no fastener"},
		"word":               {Fault{Kind: LowPull, Step: "kit"}, "cannot happen"},
		"low measurement":    {Fault{Kind: LowPull, Step: "play"}, "cannot happen"},
		"resent by a K2":     {Fault{Kind: ResentFrame, Step: "cover"}, "only velm-s5"},
		"no wrong tool":      {Fault{Kind: WrongTool, Step: "cover", Tool: "d3"}, "no torque wrench"},
		"missed in the snug": {Fault{Kind: MissedBolt, Step: "cover", Pass: 0}, "last pass"},
	} {
		if _, err := Build(plan(c.fault)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	twice := plan(Fault{Kind: LowPull, Step: "cover"}, Fault{Kind: HighPull, Step: "cover"})
	if _, err := Build(twice); err == nil {
		t.Error("two faults in one pass")
	}
	wide := plan(Fault{Kind: WrongUnit, Step: "retainer"})
	wide.Jobs[0].Steps[4].Passes[0] = around(14, 0.4, quantity.PoundFoot, "1")
	if _, err := Build(wide); err == nil {
		t.Error("a slip that nobody can see")
	}
	again := plan(Fault{Kind: DoublePull, Step: "cover", Pass: -1})
	again.Jobs[0].Steps[4].Passes[0] = around(80, 0.1, quantity.NewtonMetre, "1")
	if _, err := Build(again); err == nil {
		t.Error("a pull too many that fits the next step")
	}
}

// Recordings agree with the script: the bytes hold each frame, the readings
// each value, and both come out the same again.
func TestRecord(t *testing.T) {
	s := build(t, plan(
		Fault{Kind: GarbledFrame, Step: "cover", Pass: 0}, Fault{Kind: NoisyLine, Step: "cover", Pass: -1},
		Fault{Kind: ResentFrame, Step: "retainer", Pass: 0}))
	one, err := s.Record()
	if err != nil {
		t.Fatal(err)
	}
	two, err := s.Record()
	if err != nil {
		t.Fatal(err)
	}
	dir, dir2 := t.TempDir(), t.TempDir()
	if err := errors.Join(one.WriteDir(dir), two.WriteDir(dir2)); err != nil {
		t.Fatal(err)
	}
	files, _ := os.ReadDir(dir)
	if len(files) != 8 {
		t.Errorf("%d files, want 8", len(files))
	}
	for _, f := range files {
		a, _ := os.ReadFile(filepath.Join(dir, f.Name()))
		b, _ := os.ReadFile(filepath.Join(dir2, f.Name()))
		if string(a) != string(b) || len(a) == 0 {
			t.Errorf("%s differs or is empty", f.Name())
		}
	}
	if n := strings.Count(string(one.Bytes["k2"]), "\r\n"); n != 13 {
		t.Errorf("%d lines of the K2, want 12 and one pulled again", n)
	}
	if n := strings.Count(string(one.Bytes["s5"]), "\x02T"); n != 4 {
		t.Errorf("%d frames of the S5, want 3 and one sent again", n)
	}
	if n := len(one.Bytes["d3"]); n != 60*8 {
		t.Errorf("%d bytes of the D3", n)
	}
	arrive := 0
	for _, r := range one.Readings {
		if r.Arrives {
			arrive++
		}
	}
	if truth := one.Truths[0]; arrive != truth.Readings || len(one.Readings) != arrive+1 {
		t.Errorf("%d of %d readings arrive, the truth says %d", arrive, len(one.Readings), truth.Readings)
	}
	var truth struct {
		Note string
		Jobs []Truth
	}
	b, _ := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err := json.Unmarshal(b, &truth); err != nil || !strings.HasPrefix(truth.Note, "Invented") {
		t.Errorf("truth.json: %v, %q", err, truth.Note)
	}
	if d := cmp.Diff(one.Truths, truth.Jobs, cmp.AllowUnexported(quantity.Value{}, quantity.Unit{})); d != "" {
		t.Error(d)
	}
}

// clerk is a desk that counts pulls, as a page would: release is refused
// while one is missing.
type clerk struct {
	yes
	mu       sync.Mutex
	log      []string
	wanted   int
	readings int
}

func (c *clerk) note(what string) { c.mu.Lock(); defer c.mu.Unlock(); c.log = append(c.log, what) }

func (c *clerk) Confirm(_ context.Context, _ Job, step, _ string) error {
	c.note("confirm " + step)
	if step == "seen" && c.readings < 13 {
		return ErrRefused
	}
	return nil
}

func (c *clerk) Done(_ context.Context, _ Job, step string) (bool, error) { return step == "kit", nil }

func (c *clerk) Find(context.Context, Job, string) (string, error) { return "6", nil }

func (c *clerk) Point(_ context.Context, _ Job, step, fastener string) error {
	c.note("point " + step + " " + fastener)
	return nil
}

func (c *clerk) Release(context.Context, Job) error {
	if c.readings < c.wanted {
		return ErrRefused
	}
	return nil
}

func (c *clerk) settled(_ context.Context, _ Job, s Sent) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.readings++
	return nil
}

// The whole driver on emulated tools with nobody at the other end.
func TestRunMissedBolt(t *testing.T) {
	p := plan(Fault{Kind: MissedBolt, Step: "cover", Pass: -1})
	rig, err := OpenRig(RigConfig{Dir: t.TempDir(), Tools: p.Tools, Seed: p.Seed})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := rig.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	defer func() { cancel(); wg.Wait(); rig.Close() }()
	s := build(t, p)
	desk := &clerk{wanted: 16}
	linked := map[string]int{}
	out, err := s.Run(ctx, Stage{Tools: rig.Tools(), Desk: desk, Settled: desk.settled,
		Linked: func(_ context.Context, tool string) error { linked[tool]++; return nil }})
	if err != nil {
		t.Fatal(err)
	}
	if wrong := s.Jobs[0].Truth.Check(out[0], []string{"missed_fastener", "step_skipped", "missed_fastener"}); wrong != nil {
		t.Error(wrong)
	}
	// 15 of 16 readings, the missing one, and the measurement once more.
	if desk.readings != 17 || len(linked) != 3 {
		t.Errorf("%d readings over %v", desk.readings, linked)
	}
	want := []string{"confirm kit", "confirm seen", "point cover 6", "confirm seen"}
	if d := cmp.Diff(want, desk.log); d != "" {
		t.Error(d)
	}
}

// A reading that was taken while the cable was out is waited for once it is in.
func TestRunWaitsForTheCable(t *testing.T) {
	p := plan(Fault{Kind: Unplugged, Step: "retainer", Pass: 0})
	rig, err := OpenRig(RigConfig{Dir: t.TempDir(), Tools: p.Tools, Seed: p.Seed})
	if err != nil {
		t.Fatal(err)
	}
	defer rig.Close()
	out, tools := false, map[string]Tool{}
	for id, tool := range rig.Tools() {
		tools[id] = watched{tool, &out}
	}
	settled := 0
	_, err = build(t, p).Run(t.Context(), Stage{Tools: tools, Desk: &yes{}, Settled: func(context.Context, Job, Sent) error {
		settled++
		if out {
			t.Error("a reading is waited for while the cable is out")
		}
		return nil
	}})
	if err != nil || settled != 16 {
		t.Errorf("%d readings, %v; want 16", settled, err)
	}
}

// watched is a tool that tells whether its cable is out.
type watched struct {
	Tool
	out *bool
}

func (w watched) Plug(in bool) error { *w.out = !in; return w.Tool.Plug(in) }

func TestHeedAtOnce(t *testing.T) {
	p := plan(Fault{Kind: MissedBolt, Step: "cover", Pass: -1})
	p.Jobs[0].Heed = AtOnce
	s := build(t, p)
	if s.Jobs[0].Truth.Refused {
		t.Error("who goes back at once is refused release")
	}
	var order []string
	for _, a := range s.Jobs[0].Actions {
		switch a.Do {
		case DoConfirm, DoComeBack, DoMeasure:
			order = append(order, string(a.Do)+" "+a.Step)
		}
	}
	if d := cmp.Diff([]string{"confirm kit", "measure play", "confirm seen", "back cover"}, order); d != "" {
		t.Error(d)
	}
}

func TestCheckNamesWhatIsWrong(t *testing.T) {
	truth := Truth{Job: "J1", Must: []string{"high"}, May: []string{"low_left"}, Released: true}
	if wrong := truth.Check(Outcome{Released: true}, []string{"high", "low_left", "high"}); wrong != nil {
		t.Error(wrong)
	}
	wrong := truth.Check(Outcome{RefusedFirst: true}, []string{"unit_slip", "unit_slip"})
	if len(wrong) != 4 {
		t.Errorf("%d differences, want 4: %v", len(wrong), wrong)
	}
	// That a reading came twice has a cause only if it was sent twice.
	for slow, want := range []int{1, 0} {
		if wrong := truth.Check(Outcome{Released: true, Slow: slow}, []string{"high", "same_cycle"}); len(wrong) != want {
			t.Errorf("%d readings sent again: %v, want %d differences", slow, wrong, want)
		}
	}
}

func TestWallClock(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	if err := WallClock(0).Sleep(ctx, time.Hour); err != nil {
		t.Error(err)
	}
	if err := WallClock(1e12).Sleep(ctx, time.Hour); err != nil {
		t.Error(err)
	}
	cancel()
	for _, speed := range []float64{0, 1} {
		if err := WallClock(speed).Sleep(ctx, time.Hour); !errors.Is(err, context.Canceled) {
			t.Errorf("speed %v: %v", speed, err)
		}
	}
}

// Where nothing proposes shims the technician takes the stack that gives a good
// value, whichever way a stack acts; shims want a play that was measured before.
func TestShims(t *testing.T) {
	for _, widens := range []bool{false, true} {
		p := plan()
		p.Jobs[0].Steps = append(p.Jobs[0].Steps,
			Step{ID: "shim", Kind: Shim, Tool: "d3", How: ByEndPlay, Stack: Stack{Under: "play", Widens: widens},
				Low: quantity.Millimetres(0.05).Value(), High: quantity.Millimetres(0.09).Value()})
		if widens {
			p.Jobs[0].Steps[5].Low, p.Jobs[0].Steps[5].High = quantity.Millimetres(0.5).Value(), quantity.Millimetres(0.6).Value()
		}
		s := build(t, p)
		tools := map[string]Tool{}
		r := &recorder{rec: &Recording{Bytes: map[string][]byte{}, Writes: map[string][]Write{}}, now: p.Start}
		for _, spec := range p.Tools {
			d, err := NewDevice(spec, &tape{r: r, tool: spec.ID}, r, 7)
			if err != nil {
				t.Fatal(err)
			}
			tools[spec.ID] = &recorded{Tool: d, r: r}
		}
		out, err := s.Jobs[0].run(t.Context(), Stage{Tools: tools, Desk: &yes{}, Clock: r})
		if err != nil {
			t.Fatal(err)
		}
		of := p.Jobs[0].Steps[5]
		if len(out.Shimmed) != 1 || !(of.Low.Base() <= out.Shimmed[0].Value.Base() && out.Shimmed[0].Value.Base() <= of.High.Base()) {
			t.Errorf("with shims in the part measures %+v, want one value from %g to %g mm", out.Shimmed, of.Low.Base(), of.High.Base())
		}
	}
	p := plan()
	p.Jobs[0].Steps = append(p.Jobs[0].Steps, Step{ID: "shim", Kind: Shim, Tool: "d3", Stack: Stack{Under: "cover"}, High: quantity.Millimetres(0.1).Value()})
	if _, err := Build(p); err == nil || !strings.Contains(err.Error(), `no measure step "cover"`) {
		t.Errorf("shims after a torque step: %v", err)
	}
}
