package rules

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// guidedSteps are one of each method.
var guidedSteps = []string{
	endPlayStep, runOutStep, depthStep, dragStep,
	"    limits: {high: 0.2 mm}\n    method: run_out\n    turn_marks: 2\n",
	"    limits: {high: 0.2 mm}\n    method: run_out\n    positions: 4\n",
	"    limits: {low: 0.8 mm}\n    method: clearance\n",
	"    limits: {low: 0.1 mm}\n    method: backlash\n    positions: 2\n    arm: 90 mm\n    radius: 80 mm\n    spread: 0.05 mm\n",
	"    limits: {high: 0.2 mm}\n    method: direct\n    lever: 20°\n",
}

// TestGuidedTakesAnything: whatever an indicator sends and whatever is pressed,
// the rules decide the same twice, change nothing while they decide (tell holds
// them to both), come out the same when folded again, and no result is without
// a value, an uncertainty and a verdict.
func TestGuidedTakesAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := newGuided(t, rapid.SampledFrom(guidedSteps).Draw(rt, "step"))
		units := []quantity.Unit{quantity.Millimetre, quantity.Millimetre, quantity.Millimetre, quantity.Inch, quantity.NewtonMetre}
		level := 0.0
		for range rapid.IntRange(1, 25).Draw(rt, "events") {
			var out []events.OutcomeData
			c.at = c.at.Add(time.Duration(rapid.IntRange(0, 3000).Draw(rt, "pause")) * time.Millisecond)
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			default: // samples
				u := rapid.SampledFrom(units).Draw(rt, "unit")
				b := events.SamplesCaptured{Device: "d3", Tool: rapid.SampledFrom([]string{"d3", "d3", "d3", "tester", "nobody"}).Draw(rt, "tool"), Bench: "axle", Unit: u.Code(), FirstUs: c.at}
				if rapid.IntRange(0, 2).Draw(rt, "move") == 0 {
					level = rapid.Float64Range(-20, 20).Draw(rt, "level")
				}
				wave, n := rapid.Float64Range(0, 0.5).Draw(rt, "wave"), rapid.IntRange(0, 100).Draw(rt, "n")
				if rapid.Bool().Draw(rt, "still") {
					wave = 0
				}
				for i := range n {
					b.Values = append(b.Values, math.Round(1000*(level+wave*math.Sin(float64(i)/5)))/1000)
					b.AtUs = append(b.AtUs, int64(i)*int64(rapid.SampledFrom([]int{0, 10_000, 20_000, 50_000, 400_000}).Draw(rt, "period")))
				}
				out = c.others(c.tell(b))
				c.at = c.at.Add(time.Second)
			case 6:
				out = c.do(rapid.SampledFrom([]events.MeasureDo{events.MeasureAgain, events.MeasureBack, events.MeasureTake, events.MeasureMoved, events.MeasureMark, events.MeasureEnd, "strange"}).Draw(rt, "do"))
			case 7:
				x := rapid.Float64Range(-3, 3).Draw(rt, "typed")
				out = c.typed(x, rapid.SampledFrom([]quantity.Unit{quantity.Millimetre, quantity.NewtonMetre, quantity.Newton}).Draw(rt, "in"), fmt.Sprintf("%.2f", x))
			case 8:
				out = c.others(c.tell(events.LinkChanged{Device: "d3", Bench: "axle", State: rapid.SampledFrom([]string{events.LinkUp, events.LinkDown}).Draw(rt, "link"), AtUs: c.at}))
			}
			for _, o := range out {
				if m, ok := o.(events.MeasurementMade); ok && (!m.Value.Finite() || !m.U.Finite() || m.Verdict == "" || len(m.Budget) == 0 || !(m.Coverage >= 1.99)) {
					rt.Fatalf("a result without its parts: %+v", m)
				}
			}
		}
		c.replay()
	})
}
