package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// guidedStepText is an invented procedure of one measure step, and one after it.
func guidedStepText(step string) string {
	return `procedure: GUIDED
revision: A
title: "Guided"
unit: Invented gearbox
steps:
  - id: m
    title: Measured
    kind: measure
    what: the play
` + step + `
  - id: after
    title: After
    kind: attest
    statement: Done.
`
}

// guided is a scene with a job at such a step, and an indicator.
type guided struct {
	*scene
	rng  *rand.Rand
	unit quantity.Unit
	tool string
	rate float64
	says string // the indicator's own word about its samples
}

func newGuided(t *testing.T, step string) *guided {
	c := &guided{scene: newScene(t), rng: rand.New(rand.NewPCG(1, 2)), unit: quantity.Millimetre, tool: "d3", rate: 20}
	text := guidedStepText(step)
	sum := sha256.Sum256([]byte(text))
	out := c.tell(events.ProcedureOffered{Ask: events.Ask{By: "maren"}, Text: text, Hash: hex.EncodeToString(sum[:])})
	if len(out) != 1 {
		t.Fatalf("procedure: %+v", out)
	}
	c.job = "J"
	c.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle"}, Job: "J", UnitSerial: "1", Procedure: "GUIDED"})
	if c.s.Jobs["J"] == nil {
		t.Fatal("no job")
	}
	return c
}

// feed streams a course in mm over seconds, in blocks of a second, and returns
// the outcomes other than the samples themselves.
func (c *guided) feed(seconds float64, course func(s float64) float64) []events.OutcomeData {
	var all []events.OutcomeData
	start := c.at
	per := int(c.rate)
	for from := 0; from < int(seconds*c.rate); from += per {
		b := events.SamplesCaptured{Device: c.tool, Tool: c.tool, Bench: "axle", Unit: c.unit.Code(), FirstUs: start.Add(time.Duration(float64(from) / c.rate * 1e9)), Status: c.says}
		for i := from; i < min(from+per, int(seconds*c.rate)); i++ {
			s := float64(i) / c.rate
			v := math.Round((course(s)+0.0003*c.rng.NormFloat64())*1000) / 1000
			b.Values = append(b.Values, quantity.Millimetres(v).Value().In(c.unit))
			b.AtUs = append(b.AtUs, int64(float64(i-from)/c.rate*1e6))
		}
		c.at = b.FirstUs.Add(time.Second)
		all = append(all, c.others(c.tell(b))...)
	}
	return all
}

func (c *guided) others(out []events.Outcome) []events.OutcomeData {
	var all []events.OutcomeData
	for _, o := range out {
		if _, fed := o.Data.(events.MeasurementFed); !fed {
			all = append(all, o.Data)
		}
	}
	return all
}

func (c *guided) do(what events.MeasureDo) []events.OutcomeData {
	c.at = c.at.Add(time.Second)
	return c.others(c.tell(events.MeasureAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: c.at}, Job: "J", Step: "m", Do: what}))
}

func (c *guided) typed(v float64, u quantity.Unit, text string) []events.OutcomeData {
	c.at = c.at.Add(5 * time.Second)
	res, _ := quantity.Resolution(text, u)
	return c.others(c.tell(events.ReadingTaken{Tool: c.tool, Bench: "axle", Mode: events.ModeTyped, Text: text, Unit: u.Code(), Value: quantity.Of(v, u), Resolution: res, ReceivedAtUs: c.at, By: "ines", Job: "J"}))
}

func find[T events.OutcomeData](all []events.OutcomeData) (T, bool) {
	var last T
	ok := false
	for _, o := range all {
		if x, is := o.(T); is {
			last, ok = x, true
		}
	}
	return last, ok
}

func (c *guided) made(all []events.OutcomeData) events.MeasurementMade {
	c.t.Helper()
	m, ok := find[events.MeasurementMade](all)
	if !ok {
		_, ask, _ := c.s.GuidedAsk(c.s.Jobs["J"])
		c.t.Fatalf("no result; the program asks: %q %d of %d, trouble %+v, points %d", ask.Text, ask.Have, ask.Of, c.trouble(), len(c.state().points()))
	}
	j, ok := find[events.ReadingJudged](all)
	if !ok || j.Verdict != m.Verdict || j.Value != m.Value || j.U != m.U {
		c.t.Errorf("judged %+v of %+v", j, m)
	}
	return m
}

func (c *guided) state() *Guided {
	g := c.s.Jobs["J"].Steps[0].Guided
	if g == nil {
		return new(Guided)
	}
	return g
}

func (c *guided) trouble() events.MeasurementTroubled { return c.state().Trouble }

func (c *guided) wantTrouble(code string) {
	c.t.Helper()
	tr := c.trouble()
	if tr.Code != code || code != "" && (tr.Text == "" || tr.Todo == "") {
		c.t.Errorf("trouble %q, want %q: %s %s", tr.Code, code, tr.Text, tr.Todo)
	}
}

func (c *guided) within(m events.MeasurementMade, want float64) {
	c.t.Helper()
	if d := math.Abs(m.Value.Base() - want); !(d <= m.U.Base()) || !(m.U.Base() > 0 && m.U.Base() < 0.02) {
		c.t.Errorf("%.4f ± %.4f, the truth is %.4f", m.Value.Base(), m.U.Base(), want)
	}
}

// rockFrom rests at from, then goes to and fro by play, holding each end.
func rockFrom(from, play float64) func(float64) float64 {
	return func(s float64) float64 {
		s -= 1.5
		if s < 0 {
			return from
		}
		const hold, move = 1.2, 0.5
		t := math.Mod(s, 2*(hold+move))
		lo := from + 0.5 // set on the part
		switch {
		case t < move:
			return lo + play*t/move
		case t < move+hold:
			return lo + play
		case t < 2*move+hold:
			return lo + play*(1-(t-move-hold)/move)
		}
		return lo
	}
}

const endPlayStep = `    target: 0.15 mm
    limits: ± 0.05 mm
    method: end_play
    tools: [dial_indicator]`

func TestGuidedEndPlay(t *testing.T) {
	c := newGuided(t, endPlayStep)
	if _, ask, ok := c.s.GuidedAsk(c.s.Jobs["J"]); !ok || !strings.Contains(ask.Text, "Push") {
		t.Fatalf("asks %+v", ask)
	}
	all := c.feed(25, rockFrom(2, 0.143))
	m := c.made(all)
	c.within(m, 0.143)
	if m.Verdict != events.Within || m.Method != "end_play" || m.Points < 6 || len(m.Budget) < 4 || m.Tool != "d3" || m.Calibrated == "" {
		t.Errorf("%+v", m)
	}
	if _, ok := find[events.StepFinished](all); !ok {
		t.Error("the step is not finished")
	}
	if more := c.feed(5, rockFrom(2, 0.143)); len(more) > 0 {
		t.Errorf("after its step the indicator does %+v", more)
	}
	c.replay()
}

func TestGuidedOutOfLimitsThenAgain(t *testing.T) {
	c := newGuided(t, endPlayStep)
	m := c.made(c.feed(25, rockFrom(2, 0.31)))
	if m.Verdict != events.High {
		t.Fatalf("verdict %s", m.Verdict)
	}
	if more := c.feed(5, rockFrom(2, 0.31)); len(more) > 0 {
		t.Errorf("a value that waits for a decision is measured again without a word: %+v", more)
	}
	c.do(events.MeasureAgain)
	m = c.made(c.feed(25, rockFrom(2, 0.15)))
	c.within(m, 0.15)
	if m.Verdict != events.Within || m.Attempt != 2 {
		t.Errorf("%+v", m)
	}
	c.replay()
}

func TestGuidedStickSlip(t *testing.T) {
	c := newGuided(t, endPlayStep)
	plain := rockFrom(2, 0.15)
	m := c.made(c.feed(40, func(s float64) float64 {
		v := plain(s)
		if s > 5 && s < 12 && v > 2.5 && v < 2.65 { // it sticks at two thirds on each way
			if k := math.Mod(s, 1.7); k < 1.2 {
				return 2.6
			}
		}
		return v
	}))
	c.within(m, 0.15)
}

func TestGuidedBacklash(t *testing.T) {
	step := `    target: 0.18 mm
    limits: ± 0.05 mm
    method: backlash
    positions: 4
    cycles: 2
    arm: 100 mm
    radius: 90 mm
    spread: 0.05 mm
    tools: [dial_indicator]`
	plays := []float64{0.19, 0.20, 0.21, 0.20} // at the tip, mean 0.2; 0.18 at the pitch radius
	run := func(plays []float64) (*guided, events.MeasurementMade) {
		c := newGuided(t, step)
		var all []events.OutcomeData
		for k, p := range plays {
			all = append(all, c.feed(12, rockFrom(1+float64(k), p))...)
			if k+1 < len(plays) {
				if _, ask, _ := c.s.GuidedAsk(c.s.Jobs["J"]); ask.Place != k+1 {
					t.Errorf("after place %d it asks: %+v", k+1, ask)
				}
			}
		}
		return c, c.made(all)
	}
	c, m := run(plays)
	c.within(m, 0.18)
	if m.Verdict != events.Within || m.Judged != "mean" {
		t.Errorf("%s by %s", m.Verdict, m.Judged)
	}
	c.replay()
	_, m = run([]float64{0.16, 0.2, 0.24, 0.2})
	if m.Verdict != events.High || !strings.Contains(strings.Join(m.Warnings, " "), "lie") {
		t.Errorf("places 0.072 mm apart at the pitch radius: %s, %q", m.Verdict, m.Warnings)
	}
}

// TestGuidedBegunOnTheWay: the first sample comes while the tip is being set;
// what it shows there is not what it shows in the air.
func TestGuidedBegunOnTheWay(t *testing.T) {
	c := newGuided(t, `    target: 0.18 mm
    limits: ± 0.05 mm
    method: backlash
    positions: 2
    cycles: 1
    tools: [dial_indicator]`)
	m := c.made(c.feed(14, func(s float64) float64 {
		switch {
		case s < 0.3:
			return 1.5 + s*5/3
		case s < 2:
			return 2
		case s < 4:
			return 2.18
		case s < 6:
			return 0 // in the air
		case s < 8:
			return 2.4
		}
		return 2.59
	}))
	c.within(m, 0.185)
	if m.Points != 4 {
		t.Errorf("%d points", m.Points)
	}
}

// TestGuidedSamePlace: rocking on at the first place is not taken for the
// second.
func TestGuidedSamePlace(t *testing.T) {
	c := newGuided(t, `    target: 0.18 mm
    limits: ± 0.05 mm
    method: backlash
    positions: 2
    tools: [dial_indicator]`)
	c.feed(40, rockFrom(2, 0.18))
	c.wantTrouble("same_place")
	if n := len(c.state().Points); n == 0 || c.state().Points[n-1].Place != 0 {
		t.Errorf("%d points, the last %+v", n, c.state().Points[n-1])
	}
	c.do(events.MeasureMoved)
	c.made(c.feed(20, rockFrom(2, 0.17)))
	c.replay()
}

// onceRound rests for two seconds, turns once in eight, and rests.
func onceRound(from, ecc, lobe float64) func(float64) float64 {
	shape := func(a float64) float64 { return from + ecc*math.Cos(a-1) + lobe*math.Cos(2*a) }
	return func(s float64) float64 {
		return shape(2 * math.Pi * math.Min(math.Max(s-2, 0), 8) / 8)
	}
}

const runOutStep = `    limits: {high: 0.08 mm}
    method: run_out
    tools: [dial_indicator]`

func TestGuidedRunOut(t *testing.T) {
	c := newGuided(t, runOutStep)
	m := c.made(c.feed(14, onceRound(3, 0.025, 0)))
	c.within(m, 0.05)
	if m.Verdict != events.Within || m.Samples < 100 || len(m.Curve) < 60 {
		t.Errorf("%s, %d samples, %d of the curve", m.Verdict, m.Samples, len(m.Curve))
	}
	if e := figureOf(m, "eccentricity"); math.Abs(e-0.025) > 0.002 {
		t.Errorf("eccentricity %.4f", e)
	}
	c.replay()
	c = newGuided(t, runOutStep)
	m = c.made(c.feed(14, onceRound(3, 0.004, 0.03)))
	if e := figureOf(m, "eccentricity"); math.Abs(e-0.004) > 0.002 || !strings.Contains(strings.Join(m.Warnings, " "), "out of round") {
		t.Errorf("an out-of-round part: eccentricity %.4f, %q", e, m.Warnings)
	}
}

func figureOf(m events.MeasurementMade, name string) float64 {
	for _, f := range m.Figures {
		if f.Name == name {
			return f.Value.Base()
		}
	}
	return math.NaN()
}

// TestGuidedRunOutFromTheAir: a tip that hangs in the air when the step comes
// is no beginning, and neither is a place where it was set for a moment only.
func TestGuidedRunOutFromTheAir(t *testing.T) {
	c := newGuided(t, runOutStep)
	c.feed(5, func(float64) float64 { return 0 })
	if len(c.state().Points) > 0 {
		t.Fatal("the tip in the air is taken for the beginning")
	}
	c.feed(3, func(s float64) float64 { return 2.5 })
	if len(c.state().Points) != 1 {
		t.Fatalf("%d points once it is set", len(c.state().Points))
	}
	c.feed(3, func(s float64) float64 { return onceRound(3, 0.025, 0)(0) }) // set elsewhere
	if n := len(c.state().Points); n != 1 || math.Abs(c.state().Points[0].Value.Base()-3) > 0.1 {
		t.Fatalf("%d points once it is set elsewhere: %+v", n, c.state().Points)
	}
	c.within(c.made(c.feed(14, onceRound(3, 0.025, 0))), 0.05)
	c.replay()
}

// TestGuidedRunOutTooSmallToSee: a person says that the turn is done.
func TestGuidedRunOutTooSmallToSee(t *testing.T) {
	c := newGuided(t, runOutStep)
	if all := c.feed(14, onceRound(3, 0, 0)); len(all) > 0 {
		if _, ok := find[events.MeasurementMade](all); ok {
			t.Fatal("a turn was seen where nothing moved")
		}
	}
	m := c.made(c.do(events.MeasureEnd))
	if m.Value.Base() > 0.003 || m.Verdict != events.Within || len(m.Warnings) == 0 {
		t.Errorf("%+v", m)
	}
}

func TestGuidedRunOutByPlaces(t *testing.T) {
	c := newGuided(t, `    limits: {high: 0.08 mm}
    method: run_out
    positions: 8
    judge: eccentricity
    tools: [dial_indicator]`)
	var all []events.OutcomeData
	for k := range 8 {
		v := 3 + 0.03*math.Cos(2*math.Pi*float64(k)/8-0.5)
		all = append(all, c.feed(3, func(s float64) float64 {
			if k == 0 && s < 1 {
				return 0
			}
			return v
		})...)
		if len(c.state().Points) == k && c.s.Jobs["J"].Steps[0].Made == nil { // it hardly moved from the place before
			all = append(all, c.do(events.MeasureTake)...)
		}
	}
	m := c.made(all)
	c.within(m, 0.03)
}

func TestGuidedMarks(t *testing.T) {
	c := newGuided(t, `    limits: {high: 0.2 mm}
    method: run_out
    turn_marks: 4
    tools: [dial_indicator]`)
	shape := func(deg float64) float64 { return 3 + 0.05*math.Cos((deg-120)*math.Pi/180) }
	c.feed(3, func(float64) float64 { return shape(0) })
	mark := func() []events.OutcomeData {
		return c.others(c.tell(events.MeasureAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: c.at}, Job: "J", Step: "m", Do: events.MeasureMark}))
	}
	mark()
	var all []events.OutcomeData
	for k, secs := range []float64{4, 1, 2, 1} {
		c.feed(secs, func(s float64) float64 { return shape(90 * (float64(k) + s/secs)) })
		all = mark()
	}
	m := c.made(all)
	c.within(m, 0.1)
	if !strings.Contains(noteOf(m, "eccentricity"), "at 1") {
		t.Errorf("high spot: %s", noteOf(m, "eccentricity"))
	}
}

func noteOf(m events.MeasurementMade, name string) string {
	for _, f := range m.Figures {
		if f.Name == name {
			return f.Note
		}
	}
	return ""
}

// goes stands at each value for two seconds.
func goes(vs ...float64) func(float64) float64 {
	return func(s float64) float64 { return vs[min(int(s/2), len(vs)-1)] }
}

const depthStep = `    target: 0.75 mm
    limits: ± 0.25 mm
    method: difference
    sense: fall
    tools: [dial_indicator]`

func TestGuidedDifference(t *testing.T) {
	c := newGuided(t, depthStep)
	m := c.made(c.feed(8, goes(0, 5.210, 4.505, 4.505)))
	c.within(m, 0.705)
	if m.Verdict != events.Within {
		t.Error(m.Verdict)
	}
	// Against a standard.
	c = newGuided(t, `    target: 10.20 mm
    limits: ± 0.05 mm
    method: difference
    reference: 10 mm
    tools: [dial_indicator]`)
	m = c.made(c.feed(8, goes(0, 3.000, 3.210, 3.210)))
	c.within(m, 10.21)
}

func TestGuidedClearance(t *testing.T) {
	c := newGuided(t, `    limits: {low: 0.8 mm}
    method: clearance
    positions: 3
    diameter: 70 mm
    tools: [dial_indicator]`)
	var all []events.OutcomeData
	for _, v := range []float64{1.1, 0.95, 0.9} {
		all = c.typed(v, quantity.Millimetre, fmt.Sprintf("%.2f", v))
	}
	m := c.made(all)
	if m.Typed != 3 || m.Judged != "least" || math.Abs(m.Value.Base()-0.9) > 1e-9 || m.Verdict != events.Within {
		t.Errorf("%+v", m)
	}
	if j, _ := find[events.ReadingJudged](all); !j.Typed {
		t.Error("not marked as typed")
	}
	c.replay()
}

// TestGuidedSettledWithoutSamples: a tool that tells values at rest only, and
// no samples, is taken at its word.
func TestGuidedSettledWithoutSamples(t *testing.T) {
	settled := func(c *guided, text string) []events.OutcomeData {
		c.at = c.at.Add(5 * time.Second)
		v, u, err := quantity.Parse(text + " mm")
		if err != nil {
			t.Fatal(err)
		}
		return c.others(c.tell(events.ReadingTaken{Device: "d3", Tool: "d3", Bench: "axle", Mode: events.ModeSettled, Text: text, Unit: u.Code(), Value: v, ReceivedAtUs: c.at}))
	}
	c := newGuided(t, endPlayStep)
	m := c.made(settled(c, "0.14"))
	if m.Typed != 0 || m.Verdict != events.Within {
		t.Errorf("%+v", m)
	}
	// Of one that streams it is noted, and the samples count.
	c = newGuided(t, endPlayStep)
	c.feed(3, rockFrom(2, 0.15))
	if out := settled(c, "2.650"); len(out) != 1 {
		t.Errorf("%+v", out)
	} else if _, ok := out[0].(events.ReadingGuided); !ok {
		t.Errorf("%+v", out[0])
	}
	c.replay()
}

func TestGuidedTypedWhole(t *testing.T) {
	c := newGuided(t, endPlayStep)
	m := c.made(c.typed(0.14, quantity.Millimetre, "0.14"))
	if m.Typed != 1 || m.Verdict != events.Within || math.Abs(m.Value.Base()-0.14) > 1e-9 {
		t.Errorf("%+v", m)
	}
	// 0.01 mm steps: half a step over √3 and the certificate's 0.003/2.
	if want := 2 * math.Sqrt(0.005*0.005/3+0.0015*0.0015); math.Abs(m.U.Base()-want) > 0.0002 {
		t.Errorf("U %.5f, by hand %.5f", m.U.Base(), want)
	}
}

const dragStep = `    target: 2.5 N·m
    limits: ± 0.8 N·m
    method: drag
    arm: 150 mm`

func TestGuidedDrag(t *testing.T) {
	// By spring scale, typed: 16, 17, 17 N at 150 mm, 2.5 N·m in the mean.
	c := newGuided(t, dragStep)
	c.tool = "tester"
	var all []events.OutcomeData
	for _, n := range []float64{16, 17, 17} {
		all = c.typed(n, quantity.Newton, fmt.Sprint(n))
	}
	m := c.made(all)
	if math.Abs(m.Value.Base()-2.5) > 1e-9 || m.Verdict != events.Within || m.Typed != 3 {
		t.Errorf("%+v", m)
	}
	// The same by a spring scale that is in the register as what measures force:
	// its certificate and its step are of the force.
	shop := partsShop(shimShop(testShop()))
	newton := func(v float64) quantity.Value { return quantity.Newtons(v).Value() }
	shop.Tools = append(shop.Tools, events.Tool{ID: "scale", Name: "Scale", Kind: events.ToolPressGauge, Serial: "scale", Least: newton(0), Most: newton(50), UAbs: newton(0.4), Calibrated: "2026-06-01", Due: "2027-06-01"})
	c = newGuided(t, dragStep)
	c.tell(events.ShopDescribed{Shop: shop, Hash: "with a scale"})
	c.tool = "scale"
	for _, n := range []float64{16, 17, 17} {
		all = c.typed(n, quantity.Newton, fmt.Sprint(n))
	}
	m = c.made(all)
	if math.Abs(m.Value.Base()-2.5) > 1e-9 || m.Verdict != events.Within {
		t.Errorf("%+v", m)
	}
	for _, b := range m.Budget {
		if want := map[string]float64{"calibration of the tool": 0.2 * 0.15, "resolution of the tool": 1 * 0.15 / 2 / math.Sqrt(3)}[b.Name]; want != 0 && math.Abs(b.U.Base()-want) > 1e-9 {
			t.Errorf("%s: %v N·m, want %v", b.Name, b.U.Base(), want)
		}
	}
	// By a spring scale, whose range counts: what it cannot show is no drag. 1.7
	// kgf are 16.7 N, and 2.5 N·m at 150 mm (1 kgf = 9.80665 N, NIST SP 811).
	scale := &shop.Tools[len(shop.Tools)-1]
	scale.Kind, scale.Least, scale.Most, scale.Resolution = events.ToolSpringScale, newton(5), newton(50), newton(1)
	c = newGuided(t, dragStep+"\n    tools: [spring_scale]")
	c.tell(events.ShopDescribed{Shop: shop, Hash: "with a spring scale"})
	c.tool = "scale"
	for _, n := range []float64{51, 4, -60} {
		c.typed(n, quantity.Newton, fmt.Sprint(n))
		c.wantTrouble("beyond_scale")
	}
	if g := c.s.Jobs["J"].Steps[0].Guided; g != nil && len(g.Points) > 0 {
		t.Errorf("a force that the scale cannot show was taken: %+v", g.Points)
	}
	c.typed(1.7, quantity.KilogramForce, "1.7")
	c.typed(1.7, quantity.KilogramForce, "1.7")
	// Sent, by one that has a line.
	c.at = c.at.Add(10 * time.Second)
	all = c.others(c.tell(events.ReadingTaken{Device: "scale", Tool: "scale", Bench: "axle", Mode: events.ModePeak, Text: "1.7", Unit: "kgf", Value: quantity.Of(1.7, quantity.KilogramForce), Resolution: quantity.Of(0.1, quantity.KilogramForce), ReceivedAtUs: c.at}))
	m = c.made(all)
	if math.Abs(m.Value.Base()-1.7*9.80665*0.15) > 1e-9 || m.Verdict != events.Within || m.Typed != 2 || m.Tool != "scale" {
		t.Errorf("%+v", m)
	}
	// A press gauge's peak is what it took to start.
	scale.Kind, scale.Least = events.ToolPressGauge, newton(0)
	c = newGuided(t, dragStep)
	c.tell(events.ShopDescribed{Shop: shop, Hash: "with a press gauge"})
	c.at = c.at.Add(10 * time.Second)
	c.tell(events.ReadingTaken{Device: "scale", Tool: "scale", Bench: "axle", Mode: events.ModePeak, Text: "17", Unit: "N", Value: newton(17), ReceivedAtUs: c.at})
	c.wantTrouble("peak_only")
	// A torque tester types no torque where the procedure wants a spring scale.
	c = newGuided(t, dragStep+"\n    tools: [spring_scale]")
	c.tool = "tester"
	if out := c.typed(2.5, quantity.NewtonMetre, "2.5"); len(out) == 0 {
		t.Error("nothing is said of a torque where a spring scale is wanted")
	} else if p, ok := find[events.PointTaken](out); ok {
		t.Errorf("taken: %+v", p)
	}
	// By a torque tool with its trace; its peak alone is refused.
	c = newGuided(t, dragStep)
	c.tool = "small"
	tr := &events.Trace{PeriodUs: 10000}
	for i := range 500 {
		a := float64(i) * 1.2
		v := 2.4 + 0.2*math.Sin(a*math.Pi/180)
		if i < 20 {
			v = 4 * math.Sin(math.Pi*float64(i+1)/40)
		}
		tr.Torque, tr.Angle = append(tr.Torque, v), append(tr.Angle, a)
	}
	pull := func(tr *events.Trace) []events.OutcomeData {
		c.at = c.at.Add(10 * time.Second)
		return c.others(c.tell(events.ReadingTaken{Device: "small", Tool: "small", Bench: "axle", Mode: events.ModePeak, Text: "4.0", Unit: "N.m", Value: quantity.NewtonMetres(4).Value(), Trace: tr, ReceivedAtUs: c.at}))
	}
	pull(nil)
	c.wantTrouble("peak_only")
	for range 3 {
		all = pull(tr)
	}
	m = c.made(all)
	if math.Abs(m.Value.Base()-2.4) > 0.02 || m.Verdict != events.Within {
		t.Errorf("%+v", m)
	}
	c.replay()
}

// ---- bad input -------------------------------------------------------------

func TestGuidedNeverSettles(t *testing.T) {
	c := newGuided(t, endPlayStep)
	c.feed(30, func(s float64) float64 { return 2 + 0.3*math.Sin(5*s) })
	c.wantTrouble("never_settles")
	c.made(c.feed(25, rockFrom(2, 0.15))) // and it goes on by itself
}

func TestGuidedAtStop(t *testing.T) {
	c := newGuided(t, endPlayStep)
	c.feed(6, goes(5, 12.7, 12.7))
	c.wantTrouble("at_stop")
	c = newGuided(t, runOutStep)
	c.feed(14, func(s float64) float64 { return math.Max(onceRound(3, 0.2, 0)(s), 2.95) })
	c.wantTrouble("at_stop")
	c.feed(6, func(float64) float64 { return onceRound(3, 0.025, 0)(0) }) // the stand is moved
	c.within(c.made(c.feed(14, onceRound(3, 0.025, 0))), 0.05)
}

// The measurement takes its last value before the tool itself calls it settled:
// what the tool sends then is no reading for the step that has come since. Later,
// or elsewhere, it is one.
func TestGuidedTipStillThere(t *testing.T) {
	settled := func(mm float64) events.ReadingTaken {
		v := quantity.Millimetres(mm).Value()
		return events.ReadingTaken{Device: "d3", Tool: "d3", Bench: "axle", Mode: events.ModeSettled, Text: fmt.Sprintf("%.3f", mm), Unit: "mm", Value: v, Resolution: v.WithBase(0.001)}
	}
	// Whatever comes next: what is no measurement, or one of another quantity.
	for _, next := range []string{"", "\n  - id: d\n    title: Drag\n    kind: measure\n    what: drag\n" + dragStep} {
		c := newGuided(t, endPlayStep+next)
		c.made(c.feed(25, rockFrom(2, 0.15)))
		at := c.s.Jobs["J"].Rest
		if at == nil {
			t.Fatal("nobody knows where the tip stands")
		}
		for _, x := range []struct {
			after time.Duration
			mm    float64
			still bool
		}{{time.Second, at.V.Base() + 0.001, true}, {time.Second, at.V.Base() + 0.05, false}, {20 * time.Second, at.V.Base(), false}} {
			c.at = at.AtUs.Add(x.after)
			r := settled(x.mm)
			r.ReceivedAtUs = c.at
			out := c.others(c.tell(r))
			g, guided := find[events.ReadingGuided](out)
			_, unplaced := find[events.ReadingUnplaced](out)
			if guided != x.still || unplaced == x.still || guided && g.Step != "m" {
				t.Errorf("%.3f mm after %s, next %q: %+v", x.mm, x.after, next, out)
			}
		}
	}
}

// A noisy indicator that nobody turns anything under makes no run-out by itself,
// however long it lies there.
func TestGuidedNobodyTurns(t *testing.T) {
	c := newGuided(t, runOutStep)
	all := c.feed(5, func(s float64) float64 { return 0.95 * min(1, s) })
	for range 12 {
		all = append(all, c.feed(20, func(float64) float64 { return 0.95 + 0.0004*c.rng.NormFloat64() })...)
	}
	if m, ok := find[events.MeasurementMade](all); ok {
		t.Errorf("a run-out of %v from a part that did not turn", m.Value)
	}
}

// An indicator that says itself that it is out of range gives no points, however
// still it stands; a battery that runs down is no reason to doubt a value.
func TestGuidedToolDoubtsItself(t *testing.T) {
	c := newGuided(t, endPlayStep)
	c.says = "out_of_range"
	if out := c.feed(25, rockFrom(2, 0.15)); len(out) == 0 || len(c.s.Jobs["J"].Steps[0].Guided.Points) != 0 {
		t.Errorf("points were taken of samples that mean nothing: %+v", out)
	}
	c.wantTrouble("tool_status")
	if text := c.trouble().Text; !strings.Contains(text, `"out of range"`) {
		t.Errorf("the trouble says %s", text)
	}
	c.says = "battery_low"
	c.feed(1, func(float64) float64 { return 0 })
	c.wantTrouble("")
	c.within(c.made(c.feed(25, rockFrom(2, 0.15))), 0.15)

	c = newGuided(t, runOutStep)
	turn := onceRound(3, 0.025, 0)
	c.feed(4, turn)
	c.says = "out_of_range"
	c.feed(1, func(s float64) float64 { return turn(4 + s) })
	c.says = ""
	c.wantTrouble("tool_status")
	for _, o := range c.feed(9, func(s float64) float64 { return turn(5 + s) }) {
		if m, ok := o.(events.MeasurementMade); ok {
			t.Errorf("a turn with a hole in it was taken: %+v", m)
		}
	}
	c.do(events.MeasureAgain)
	c.within(c.made(c.feed(14, turn)), 0.05)
}

func TestGuidedReversed(t *testing.T) {
	c := newGuided(t, depthStep)
	c.feed(8, goes(0, 4.505, 5.210, 5.210)) // counts the other way about
	c.wantTrouble("reversed")
	c.within(c.made(c.feed(10, goes(0, 5.210, 0, 4.505, 4.505))), 0.705)
}

func TestGuidedNegativeGap(t *testing.T) {
	c := newGuided(t, `    limits: {low: 0.2 mm, high: 0.4 mm}
    method: difference
    tools: [dial_indicator]`)
	c.feed(8, goes(0, 4.505, 4.400, 4.400))
	c.wantTrouble("negative")
	if len(c.state().Points) != 0 {
		t.Error("its points still stand")
	}
}

func TestGuidedUnitSwitched(t *testing.T) {
	c := newGuided(t, endPlayStep)
	c.feed(6, rockFrom(2, 0.15))
	if len(c.state().Points) == 0 {
		t.Fatal("no point before")
	}
	c.unit = quantity.Inch
	c.feed(1, rockFrom(2, 0.15))
	c.wantTrouble("unit_switched")
	if len(c.state().Points) != 0 {
		t.Error("points in both units are mixed")
	}
	c.within(c.made(c.feed(30, rockFrom(2, 0.15))), 0.15)
}

func TestGuidedCableDroppedInTurn(t *testing.T) {
	shop := testShop()
	shop.Devices = []events.Device{{ID: "d3", Tool: "d3", Bench: "axle"}}
	c := newGuided(t, runOutStep)
	c.tell(events.ShopDescribed{Shop: shop, Hash: "2"})
	c.feed(6, onceRound(3, 0.025, 0))
	c.tell(events.LinkChanged{Device: "d3", Bench: "axle", State: events.LinkDown, AtUs: c.at})
	c.wantTrouble("link_lost")
	if len(c.state().Points) != 0 || len(c.state().Trail) != 0 {
		t.Error("the broken turn still stands")
	}
	c.tell(events.LinkChanged{Device: "d3", Bench: "axle", State: events.LinkUp, AtUs: c.at})
	c.wantTrouble("")
	c.within(c.made(c.feed(14, onceRound(3, 0.025, 0))), 0.05)

	// Without a word of the link: samples are missing.
	c = newGuided(t, runOutStep)
	c.feed(6, onceRound(3, 0.025, 0))
	c.at = c.at.Add(4 * time.Second)
	c.feed(1, onceRound(3, 0.025, 0))
	c.wantTrouble("gap")
	c.within(c.made(c.feed(14, onceRound(3, 0.025, 0))), 0.05)
}

func TestGuidedCableDroppedBetweenPoints(t *testing.T) {
	shop := testShop()
	shop.Devices = []events.Device{{ID: "d3", Tool: "d3", Bench: "axle"}}
	c := newGuided(t, depthStep)
	c.tell(events.ShopDescribed{Shop: shop, Hash: "2"})
	c.feed(4, goes(0, 5.210))
	c.tell(events.LinkChanged{Device: "d3", Bench: "axle", State: events.LinkDown, AtUs: c.at})
	c.wantTrouble("link_lost")
	if len(c.state().Points) != 1 {
		t.Errorf("%d points stand", len(c.state().Points))
	}
	c.within(c.made(c.feed(4, goes(4.505, 4.505))), 0.705)
}

func TestGuidedTwoIndicators(t *testing.T) {
	c := newGuided(t, endPlayStep)
	shop := testShop()
	two := shop.Tools[len(shop.Tools)-2]
	two.ID, two.Name = "d4", "D4"
	shop.Tools = append(shop.Tools, two)
	c.tell(events.ShopDescribed{Shop: shop, Hash: "2"})
	play := rockFrom(2, 0.15)
	start := c.at
	var all []events.OutcomeData
	for k := range 25 { // d4 lies still, d3 measures
		c.at = start.Add(time.Duration(k) * time.Second)
		c.tool = "d4"
		c.feed(1, func(float64) float64 { return 7 })
		c.at, c.tool = start.Add(time.Duration(k)*time.Second), "d3"
		all = append(all, c.feed(1, func(s float64) float64 { return play(float64(k) + s) })...)
	}
	m := c.made(all)
	c.within(m, 0.15)
	if m.Tool != "d3" {
		t.Errorf("measured by %s", m.Tool)
	}
}

func TestGuidedBackAndRefusals(t *testing.T) {
	c := newGuided(t, depthStep)
	if r, ok := find[events.RequestRefused](c.do(events.MeasureBack)); !ok || r.Code != "not_begun" {
		t.Errorf("back before anything: %+v", r)
	}
	c.feed(4, goes(0, 5.3)) // set on the wrong face
	c.do(events.MeasureBack)
	m := c.made(c.feed(8, goes(0, 5.210, 4.505, 4.505)))
	c.within(m, 0.705)
	if r, ok := find[events.RequestRefused](c.do(events.MeasureAgain)); !ok || r.Code != "not_now" {
		t.Errorf("again after the step is done: %+v", r)
	}
}

func TestGuidedPause(t *testing.T) {
	c := newGuided(t, depthStep)
	c.feed(4, goes(0, 5.3))
	out := c.others(c.tell(events.JobPauseAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: c.at}, Job: "J"}))
	if e, ok := find[events.MeasurementEnded](out); !ok || e.Why == "" {
		t.Errorf("paused in the middle: %+v", out)
	}
	c.replay()
}

// TestGuidedRunOutLifted: a tip that is lifted and set back is no turn, however
// it is lifted, and neither is one that was lifted during a turn; a real turn is
// one at any speed, with a great run-out, with a bump, and with a step that it
// climbs slowly. The turn after it counts.
func TestGuidedRunOutLifted(t *testing.T) {
	// lift is the course of a tip: down by so much within fall seconds, held, and
	// set back within set seconds.
	lift := func(far, fall, hold, set float64) func(float64) float64 {
		return func(s float64) float64 {
			s -= 2
			switch {
			case s < 0 || s > fall+hold+set:
				return 0
			case s < fall:
				return -far * s / fall
			case s > fall+hold:
				return -far * (fall + hold + set - s) / set
			}
			return -far
		}
	}
	const wide = `    limits: {high: 5 mm}
    method: run_out
    tools: [dial_indicator]`
	for name, course := range map[string]func(float64) float64{
		"by its lever, and let go":    lift(2, 0.05, 0.6, 0.05),
		"by a finger, and set gently": lift(2, 0.25, 0.8, 0.5),
		"for a moment":                lift(1.2, 0.08, 0, 0.08),
		"for long":                    lift(2, 0.1, 4, 0.3),
		"a little":                    lift(0.3, 0.1, 0.5, 0.2),
		"while the part is turned":    func(s float64) float64 { return onceRound(0, 0.05, 0)(s) + lift(2, 0.1, 0.5, 0.2)(s-2) },
		"twice while the part turns": func(s float64) float64 {
			return onceRound(0, 0.05, 0)(s) + lift(2, 0.1, 0.3, 0.2)(s-2) + lift(2, 0.1, 0.3, 0.2)(s-5)
		},
		"into a keyway of a great eye": func(s float64) float64 { return onceRound(0, 0.1, 0)(s) + lift(3, 0.1, 0.2, 0.1)(s-3) },
	} {
		for _, rate := range []float64{10, 50} {
			c := newGuided(t, wide)
			c.rate = rate
			all := c.feed(14, func(s float64) float64 { return 3 + course(s) })
			if m, ok := find[events.MeasurementMade](all); ok {
				t.Errorf("lifted %s, %v/s: taken for a turn, %v", name, rate, m.Value)
				continue
			}
			said := ""
			for _, o := range all {
				if tr, ok := o.(events.MeasurementTroubled); ok {
					said += tr.Code + " "
				}
			}
			if !strings.Contains(said, "lifted") && name != "for long" { // that is a tip set anew, and the turn begins there
				t.Errorf("lifted %s, %v/s: told of %q", name, rate, said)
			}
			from := 3 + course(14) - onceRound(0, 0.025, 0)(0)
			c.feed(6, func(float64) float64 { return 3 + course(14) })
			c.within(c.made(c.feed(14, onceRound(from, 0.025, 0))), 0.05)
			c.replay()
		}
	}
	round := func(seconds float64, shape func(a float64) float64) func(float64) float64 {
		return func(s float64) float64 {
			return 3 + shape(2*math.Pi*math.Min(math.Max(s-2, 0), seconds)/seconds)
		}
	}
	for name, shape := range map[string]func(a float64) float64{
		"off centre":   func(a float64) float64 { return 0.6 * math.Cos(a-1) },
		"oval":         func(a float64) float64 { return 0.5 * math.Cos(2*a-1) },
		"three lobes":  func(a float64) float64 { return 0.4 * math.Cos(3*a-1) },
		"off and oval": func(a float64) float64 { return 0.4*math.Cos(a-1) + 0.3*math.Cos(2*a) },
		"with a bump":  func(a float64) float64 { return 0.1*math.Cos(a) + 0.4*math.Exp(-(a-3)*(a-3)/0.02) },
		"a snail":      func(a float64) float64 { return 0.5 * math.Mod(a+1, 2*math.Pi) / (2 * math.Pi) },
	} {
		for _, seconds := range []float64{2, 3, 8} {
			c := newGuided(t, wide)
			c.rate = 50
			all := c.feed(seconds+6, round(seconds, shape))
			if _, ok := find[events.MeasurementMade](all); !ok {
				all = c.do(events.MeasureEnd)
			}
			if _, ok := find[events.MeasurementMade](all); !ok {
				t.Errorf("%s in %v s: no turn, trouble %q", name, seconds, c.trouble().Code)
			}
		}
	}
}
