package rules

import (
	"fmt"
	"testing"
	"time"

	"witnessmark/events"
)

// pulled is a pull of K2 so many seconds after the one before; deg nought: no rotation told.
type pulled struct{ after, nm, deg float64 }

// pulls sends them one by one.
func (c *scene) pulls(list ...pulled) {
	c.t.Helper()
	for _, p := range list {
		c.at = c.at.Add(time.Duration((p.after - 10) * float64(time.Second))) // each line is ten seconds after the one before
		line := fmt.Sprintf("K2 %.1f N·m", p.nm)
		if p.deg > 0 {
			line += fmt.Sprintf(" angle %.0f°", p.deg)
		}
		c.line(line)
	}
}

// open counts the open alerts of a kind about a step.
func (c *scene) open(kind events.AlertKind, step string) (n int) {
	for _, a := range c.s.Alerts {
		if a.Kind == kind && a.Step == step {
			n++
		}
	}
	return n
}

// In the middle of the inner flange one fastener of the outer one is pulled, in one pull
// or in four swings, each a reading of its own. With a walk behind them they were no swings
// of the inner flange's next one; where that was pulled at once, they were. Common practice,
// no source: a ratchet swings again within a second or two, and a walk takes longer.
func TestPulledAtTheNextJoint(t *testing.T) {
	one := []pulled{{after: 5, nm: 11.5}}
	four := []pulled{{7, 4.0, 0}, {1.4, 6.0, 0}, {1.2, 9.0, 0}, {1.3, 12.1, 0}}
	for _, v := range []struct {
		name  string
		there []pulled
		back  float64 // time to the next pull of the inner flange
		want  int
	}{
		{"one pull, a walk behind it", one, 8, 1},
		{"one pull, gone on with at once", one, 1.3, 0},
		{"four swings, a walk behind them", four, 7, 1},
		{"four swings, gone on with at once", four, 1.3, 0},
	} {
		t.Run(v.name, func(t *testing.T) {
			c := newScene(t)
			c.line("release-procedure after")
			c.line("open J1 at axle using AFTER")
			c.pulls(pulled{after: 10, nm: 25.0}, pulled{after: 6, nm: 25.2}, pulled{after: 7, nm: 24.9})
			c.pulls(v.there...)
			c.pulls(pulled{after: v.back, nm: 25.1}, pulled{after: 6, nm: 25.0}, pulled{after: 6, nm: 24.9})
			for k := range 3 {
				if n := c.open(events.AlertOutOfOrder, "outer"); n > 0 && v.want == 0 {
					t.Fatalf("told of a pull at the outer flange after %d pulls there", k)
				}
				if len(v.there) == 1 {
					c.pulls(pulled{after: 20, nm: 12.0})
					continue
				}
				c.pulls(pulled{after: 18, nm: 5.5}, pulled{after: 1.2, nm: 12.0})
			}
			if n := c.open(events.AlertOutOfOrder, "outer"); n != v.want {
				t.Errorf("%d alerts that the outer flange was pulled before its turn, want %d", n, v.want)
			}
		})
	}
}

// The same by a tool that tells the rotation: all four together and the next pull would
// have turned twice as far as the others do. Where that one turned the rest alone, they
// were its own.
func TestTurnedAtTheNextJoint(t *testing.T) {
	for _, v := range []struct {
		name string
		deg  float64 // of the next pull of the inner flange
		want int
	}{
		{"a whole rotation behind them", 33, 1},
		{"the rest of one behind them", 8, 0},
	} {
		t.Run(v.name, func(t *testing.T) {
			c := newScene(t)
			c.line("release-procedure after")
			c.line("open J1 at axle using AFTER")
			c.pulls(pulled{10, 25.0, 34}, pulled{6, 25.2, 31}, pulled{7, 24.9, 35},
				pulled{5, 5.5, 9}, pulled{1.2, 8.5, 7}, pulled{1.3, 12.1, 10},
				pulled{2.2, 25.1, v.deg}, pulled{6, 25.0, 33}, pulled{6, 24.9, 32})
			for range 3 {
				c.pulls(pulled{18, 5.5, 12}, pulled{1.2, 12.0, 14})
			}
			if n := c.open(events.AlertOutOfOrder, "outer"); n != v.want {
				t.Errorf("%d alerts that the outer flange was pulled before its turn, want %d", n, v.want)
			}
		})
	}
}

// fiveOfTheHousing is a job in which five of six fasteners of the housing are done.
func fiveOfTheHousing(t *testing.T) *scene {
	t.Helper()
	c := newScene(t)
	c.line("release-procedure twice")
	c.line("open J1 at axle using TWICE")
	for range 5 {
		c.pulls(pulled{after: 7, nm: 32.0})
	}
	return c
}

// The inner flange is left one short, which is told, and work goes on at the outer one.
// There a swing ends where the inner one is pulled to, and the next pull tops it at once:
// nobody went back, and the alert stays. Who does go back needs the walk.
func TestSwingFillsNoGapBefore(t *testing.T) {
	for _, v := range []struct {
		name  string
		after float64
		want  int
	}{
		{"topped at once", 1.3, 1},
		{"after a walk", 9, 0},
	} {
		t.Run(v.name, func(t *testing.T) {
			c := fiveOfTheHousing(t)
			c.pulls(pulled{after: 25, nm: 59.8}, pulled{after: 7, nm: 60.5})
			if c.open(events.AlertMissed, "housing") != 1 {
				t.Fatal("the housing is one short, and nobody was told")
			}
			c.pulls(pulled{after: 11, nm: 31.4}, pulled{after: v.after, nm: 59.6})
			if n := c.open(events.AlertMissed, "housing"); n != v.want {
				t.Errorf("%d open alerts that one of the housing is missed, want %d", n, v.want)
			}
			c.pulls(pulled{after: 8, nm: 60.2})
			if got, want := c.s.Jobs["J1"].Steps[1].Done, true; got != want {
				t.Errorf("the flange is done: %t, want %t", got, want)
			}
		})
	}
}

// The same where the work had not gone on yet: the first swing at the outer flange fills
// the gap that was left at the inner one.
func TestFirstSwingFillsNoGap(t *testing.T) {
	for _, v := range []struct {
		name  string
		after float64
		want  int
	}{
		{"topped at once", 1.2, 1},
		{"after a walk", 20, 0},
	} {
		t.Run(v.name, func(t *testing.T) {
			c := fiveOfTheHousing(t)
			c.pulls(pulled{after: 9, nm: 31.4}, pulled{after: v.after, nm: 59.6}, pulled{after: 7, nm: 60.2}, pulled{after: 6, nm: 59.9})
			if n := c.open(events.AlertMissed, "housing"); n != v.want {
				t.Errorf("%d open alerts that one of the housing is missed, want %d", n, v.want)
			}
		})
	}
}
