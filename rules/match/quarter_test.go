package match

import (
	"math"
	"testing"
)

// traced is a pull with a trace that shows nothing but its rotation and at which share of
// its peak a quarter of that was made; still: nothing seemed to move until near the peak.
func traced(i int, torque, deg, quarter float64, still bool) Pull {
	return Pull{
		Reading: uint64(i + 1), Tool: Tool{Name: "K2", Angle: true, Trace: true, Counter: CountsCycles}, AtS: 10 + 6*float64(i), Torque: torque,
		Angle: math.NaN(), Duration: math.NaN(), Placed: -1, Numbered: true, Gap: 0,
		Trace: &Trace{NetDeg: deg, RateNmDeg: math.NaN(), Quarter: quarter, Breakaway: still, Sure: true},
	}
}

// A fastener that its neighbours have relieved turns a good part of what a first pull
// does, which may be a first pull too. What tells it is that all of that comes at the top.
func TestQuarterTellsRelieved(t *testing.T) {
	odds := func(quarter float64) float64 {
		f := New(nil, Joint{N: 8, Target: 100, LSL: 92, USL: 108})
		for i := range 8 {
			deg, q := 30+float64(i%3), 0.62+0.02*float64(i%3)
			if i == 5 {
				deg, q = 9, quarter
			}
			f = f.Pull(traced(i, 100+float64(i%2), deg, q, q > 0.85))
		}
		return f.Missed().Odds
	}
	early, late, none := odds(0.62), odds(0.99), odds(math.NaN())
	t.Logf("odds that one was left out: %.2g as the others, %.2g at the top, %.2g not told", early, late, none)
	if early > 0.02 || late < 1 || late < 50*early {
		t.Errorf("odds that one was left out: %.2g with a quarter as the others', %.2g at the top", early, late)
	}
}

// Of a joint that turns little, an oddly small rotation seems to have been made near the
// peak alone, within what is uncertain of the wind-up. Where it was half done long before,
// that is no sign of a tight fastener.
func TestQuarterSparesSmallTurns(t *testing.T) {
	odds := func(quarter float64) float64 {
		f := New(nil, Joint{N: 12, Target: 100, LSL: 92, USL: 108})
		for i := range 12 {
			deg, q, still := 6+0.5*float64(i%4), 0.76+0.01*float64(i%3), false
			if i == 7 {
				deg, q, still = 2.5, quarter, true
			}
			f = f.Pull(traced(i, 100+float64(i%2), deg, q, still))
		}
		return f.Missed().Odds
	}
	early, late := odds(0.77), odds(0.99)
	t.Logf("odds that one was left out: %.2g as the others, %.2g at the top", early, late)
	if p := Default(); early >= p.OddsTrace || late < 5*early {
		t.Errorf("odds that one was left out: %.2g with a quarter as the others', %.2g at the top", early, late)
	}
}
