package rules

import (
	"fmt"
	"strings"
	"testing"

	"witnessmark/events"
)

// One pull too few on eight bolts: whichever was left out, it is among those that
// are named. With rotations only what the count leaves is asked for first; with
// torque alone every one is, since no pull shows then which it was.
func TestOneShortNamesAll(t *testing.T) {
	for _, v := range []struct{ procedure, pull, next string }{
		{"case", "K2 26.0 lbf·ft", "K2 20.0 lbf·ft"},
		{"hub", "K2 100 N·m angle 40°", "confirm cap"},
	} {
		c := newScene(t)
		c.line("release-procedure " + v.procedure)
		c.line("open J1 at axle using " + strings.ToUpper(v.procedure))
		for range 7 {
			c.line(v.pull)
		}
		c.line(v.next)
		var a *events.AlertRaised
		for _, o := range c.s.Alerts { // one is open
			if o.Kind == events.AlertMissed {
				a = &o.AlertRaised
			}
		}
		if a == nil {
			t.Fatalf("%s: nothing was said to be missed", v.procedure)
		}
		for k := 1; k <= 8; k++ {
			name := fmt.Sprint(k)
			named := false
			for _, n := range a.Likely {
				named = named || n.Fastener == name
			}
			if !named {
				t.Errorf("%s: %s is not among those that may have been left out: %v", v.procedure, name, a.Likely)
			}
			if asked := strings.Contains(a.Todo, name); asked != (v.procedure == "case" || k == 8) {
				t.Errorf("%s: asked for %s: %v: %s", v.procedure, name, asked, a.Todo)
			}
		}
	}
}

// A mark that goes because its pull was at another place, or on a tight fastener, asks
// nobody for a pull: the next one that comes says no more of that place than of any other
// that is open. One that is to be pulled again does, in the order in which they are named.
func TestWhatAsksForAPull(t *testing.T) {
	c := newScene(t)
	c.line("release-procedure hub")
	c.line("open J1 at axle using HUB")
	for range 8 {
		c.line("K2 100 N·m angle 40°")
	}
	j := c.s.Jobs["J1"].clone()
	void := func(k int, reason string) {
		m := j.Steps[0].Fasteners[k].Marks[0]
		j.apply(events.ReadingVoided{Reading: m.Reading, Job: "J1", Step: "hub", Fastener: m.Judged.Fastener, Reason: reason}, 0)
	}
	next := func() string {
		w, _ := j.slotOf(0)
		return w.joint.Fasteners[w.fastener].ID
	}
	void(0, wasNone)
	void(1, movedOn)
	if got := next(); got != "1" || j.asksFor(0, "1") || j.asksFor(0, "2") {
		t.Errorf("expected at %s; asked for 1: %t, 2: %t; want 1, none", got, j.asksFor(0, "1"), j.asksFor(0, "2"))
	}
	void(6, neverPulled)
	void(3, neverPulled)
	if got := next(); got != "7" || !j.asksFor(0, "7") || !j.asksFor(0, "4") {
		t.Errorf("expected at %s; asked for 7: %t, 4: %t; want 7, both", got, j.asksFor(0, "7"), j.asksFor(0, "4"))
	}
}
