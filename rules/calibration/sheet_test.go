package calibration

import (
	"math"
	"strings"
	"testing"
	"time"

	"witnessmark/events/quantity"
)

// good is a calibration without fault: an invented electronic wrench of the
// invented shop Fenholt Driveline.
func good() Sheet {
	s := Sheet{
		Tool:      Tool{ID: "K2-7", Class: Class{1, 'C'}, Least: nm(10), Most: nm(200), Resolution: nm(0.1)},
		Reference: Reference{ID: "B1", Certified: date("2026-03-01"), Due: date("2027-03-01"), Expanded: 0.5, Least: nm(5), Most: nm(250)},
		Day:       date("2026-11-02"), Now: date("2026-11-03"), Rule: Rule{Kind: Simple},
	}
	row := 1
	for _, p := range []float64{10, 120, 200} {
		for i := range 5 {
			row++
			wobble := 1 + 0.001*float64(i-2)
			s.Pairs = append(s.Pairs, Pair{Row: row, Phase: AsFound, Direction: Clockwise, Target: nm(p), Tool: nm(p), Reference: nm(p * 0.99 * wobble), Unit: unitOf("N·m")})
		}
	}
	return s
}

func date(s string) time.Time {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		panic(err)
	}
	return t
}

func unitOf(s string) quantity.Unit {
	u, err := quantity.ParseUnit(s)
	if err != nil {
		panic(err)
	}
	return u
}

func TestGoodSheet(t *testing.T) {
	r := Judge(good())
	if len(r.Findings) != 0 || len(r.Points) != 3 || !r.Accepted(AsFound) || r.Accepted(AsLeft) {
		t.Fatalf("%+v", r)
	}
	// By hand: 1/0.99 = 1.0101, so +1.01 % on average; the worst reference is
	// 0.2 % below, +1.2125 %.
	near(t, "mean", r.Points[1].Mean, 1.0103, 0.0005)
	near(t, "worst", r.Points[1].Worst, 100*(1/(0.99*0.998)-1), 1e-9)
	near(t, "limit", r.Limit, 4, 0)
}

// The rule decides, not the mean: a deviation of 3.2 % with U near 1 % passes
// simply and fails with a guard band.
func TestRuleDecides(t *testing.T) {
	s := good()
	for i := range s.Pairs {
		s.Pairs[i].Reference = nm(s.Pairs[i].Tool.NewtonMetres() / 1.0335 * (1 + 0.0002*float64(i%5)))
	}
	s.Reference.Expanded = 0.9
	if !Judge(s).Accepted(AsFound) {
		t.Error("3.3 % fails simple acceptance at 4 %")
	}
	s.Rule = Rule{Kind: Guarded, Guard: 1}
	if Judge(s).Accepted(AsFound) {
		t.Error("3.3 % with U about 1 % passes a guard band of U at 4 %")
	}
	s.Rule = Rule{Kind: Confident, Least: 0.85}
	if !Judge(s).Accepted(AsFound) {
		t.Error("3.35 % with u of 0.54 % at most is 88 % sure to lie within 4 %")
	}
}

func TestBadSheets(t *testing.T) {
	cases := []struct {
		name  string
		spoil func(*Sheet)
		stops bool
		says  string
	}{
		{"point outside the range", func(s *Sheet) { s.Pairs[3].Target = nm(230); s.Pairs[3].Tool = nm(230); s.Pairs[3].Reference = nm(230) }, true, "outside the tool's range"},
		{"reference too small", func(s *Sheet) { s.Reference.Most = nm(150) }, true, "outside the reference's range"},
		{"two readings in one row", func(s *Sheet) { s.Pairs[2].Reference = nm(120) }, true, "two different readings"},
		{"negative", func(s *Sheet) { s.Pairs[2].Reference = nm(-10) }, true, "above zero"},
		{"mixed units", func(s *Sheet) { s.Pairs[4].Unit = unitOf("lbf·ft") }, true, "in one unit"},
		{"certificate of tomorrow", func(s *Sheet) { s.Reference.Certified = date("2026-11-04") }, true, "in the future"},
		{"calibration of tomorrow", func(s *Sheet) { s.Day = date("2026-11-05") }, true, "in the future"},
		{"reference out of date", func(s *Sheet) { s.Reference.Due = date("2026-11-01") }, true, "was due"},
		{"reference without certificate", func(s *Sheet) { s.Reference.Expanded = 0 }, true, "not known"},
		{"reference worse than the limit", func(s *Sheet) { s.Reference.Expanded = 5 }, true, "less sure"},
		{"ratio below 4", func(s *Sheet) { s.Reference.Expanded = 1.5 }, false, "wanted is 4"},
		{"coarse display", func(s *Sheet) { s.Tool.Resolution = nm(0.5) }, false, "quarter"},
		{"too few readings", func(s *Sheet) { s.Pairs = s.Pairs[1:] }, false, "takes 5"},
		{"point missing", func(s *Sheet) { s.Pairs = s.Pairs[:10] }, false, "a test point of ISO 6789-1:2017"},
		{"2003 low point", func(s *Sheet) {
			for i := range 5 {
				s.Pairs[i].Target, s.Pairs[i].Tool, s.Pairs[i].Reference = nm(40), nm(40), nm(40)
			}
		}, false, "at 10 N·m"},
		{"no range", func(s *Sheet) { s.Tool.Least = nm(0) }, true, "lowest and the highest"},
		{"no rule", func(s *Sheet) { s.Rule = Rule{} }, true, "decision rule"},
		{"nothing", func(s *Sheet) { s.Pairs = nil }, true, "no readings"},
		{"found after left", func(s *Sheet) { s.Pairs[0].Phase = AsLeft }, true, "before the adjustment"},
		{"exchanged with a finer reference", func(s *Sheet) { exchange(s, 0.01) }, true, "look exchanged"},
		{"reversed pairs", func(s *Sheet) {
			s.Tool.Class = Class{2, 'A'}
			for i, p := range s.Pairs {
				s.Pairs[i].Tool, s.Pairs[i].Reference = p.Reference, p.Tool
			}
		}, true, "exchanged"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := good()
			c.spoil(&s)
			r := Judge(s)
			found := false
			for _, f := range r.Findings {
				found = found || strings.Contains(f.Text, c.says) && f.Stop == c.stops
			}
			if !found {
				t.Errorf("findings %+v do not say %q", r.Findings, c.says)
			}
			if c.stops && (len(r.Points) > 0 || r.Accepted(AsFound)) {
				t.Error("a verdict was given all the same")
			}
		})
	}
}

// exchange makes the readings what the displays show, in steps of 0.1 N·m of
// the tool and those of the reference, and enters each as the other's.
func exchange(s *Sheet, step float64) {
	shown := func(v quantity.Torque, step float64) quantity.Torque {
		return nm(math.Round(v.NewtonMetres()/step) * step)
	}
	s.Reference.Resolution = nm(step)
	for i := range s.Pairs {
		p, n := &s.Pairs[i], float64(i%5-2)
		p.Tool, p.Reference = shown(nm(p.Target.NewtonMetres()*0.99+0.137*n), step), shown(nm(p.Target.NewtonMetres()+0.2*n), 0.1)
	}
}

// TestExchanged: what the steps of the two displays tell, and what they do not.
func TestExchanged(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Sheet)
		want  bool
	}{
		{"as they are", func(*Sheet) {}, false},
		{"exchanged", func(s *Sheet) { exchange(s, 0.01) }, true},
		{"exchanged, the step of the reference not known", func(s *Sheet) { exchange(s, 0.01); s.Reference.Resolution = nm(0) }, true},
		{"exchanged, like steps", func(s *Sheet) { exchange(s, 0.1) }, false},
		{"exchanged, the step of the tool not known", func(s *Sheet) { exchange(s, 0.01); s.Tool.Resolution = nm(0) }, false},
		{"exchanged, and pulled to the point by the tool", func(s *Sheet) {
			exchange(s, 0.01)
			for i := range s.Pairs {
				s.Pairs[i].Reference = s.Pairs[i].Target
			}
		}, false},
		{"a dial read between its lines, pulled to the point by the reference", func(s *Sheet) {
			s.Reference.Resolution = nm(0.01)
			for i := range s.Pairs {
				s.Pairs[i].Tool, s.Pairs[i].Reference = nm(s.Pairs[i].Target.NewtonMetres()+0.05), s.Pairs[i].Target
			}
		}, false},
		{"read in lbf·ft, steps in N·m", func(s *Sheet) {
			exchange(s, 0.01)
			for i := range s.Pairs {
				for _, v := range []*quantity.Torque{&s.Pairs[i].Tool, &s.Pairs[i].Reference} {
					*v = quantity.PoundFeet(math.Round(10*v.NewtonMetres()/1.3558179483314004) / 10)
				}
			}
		}, false},
	} {
		s := good()
		c.spoil(&s)
		if got := Exchanged(s.Pairs, s.Tool.Resolution, s.Reference.Resolution); got != c.want {
			t.Errorf("%s: got %v", c.name, got)
		}
	}
}

// Invented figures: a curve with a span of 9 µm, 4 µm between the travels at
// 0.5 mm, and 2 µm among repeated readings.
func TestIndicator(t *testing.T) {
	mm := quantity.Millimetres
	rows := []Gauged{
		{Inward, mm(0), mm(0)}, {Inward, mm(0.5), mm(0.503)}, {Inward, mm(0.5), mm(0.505)}, {Inward, mm(1), mm(1.009)},
		{Outward, mm(1), mm(1.008)}, {Outward, mm(0.5), mm(0.508)}, {Outward, mm(0), mm(0.002)},
	}
	r, err := JudgeIndicator(rows, mm(0.010), mm(0.001), Rule{Kind: Simple})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "span", r.Span.Millimetres(), 0.009, 1e-12)
	near(t, "hysteresis", r.Hysteresis.Millimetres(), 0.004, 1e-12)
	near(t, "repeatability", r.Repeatability.Millimetres(), 0.002, 1e-12)
	if len(r.Curve) != 3 || !r.Verdict.Accept {
		t.Errorf("%+v", r)
	}
	near(t, "P", r.Verdict.P, 0.8413447, 5e-8) // Φ(1)
	if r, _ = JudgeIndicator(rows, mm(0.010), mm(0.001), Rule{Kind: Guarded, Guard: 1}); r.Verdict.Accept {
		t.Error("9 µm of 10 with U = 2 µm passes a guard band")
	}
	if _, err := JudgeIndicator(rows[:1], mm(0.01), mm(0), Rule{Kind: Simple}); err == nil {
		t.Error("a curve of one place")
	}
}
