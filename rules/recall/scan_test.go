package recall

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// compact is a reading as a scan takes it.
func compact(r *Reading, id int64) *Pull {
	w := r.row()
	p := &Pull{ID: id, AtUs: r.At.UnixMicro(), Value: w.v, Lower: w.lo, Upper: w.hi, U: r.U * w.v / 50}
	if r.Class != "" {
		p.Class = r.Class[0]
	}
	return p
}

// TestScanAgreesWithJudge: a scan by columns finds what Judge finds, in the
// same order, with one deviation and with levels, all of them and the first.
func TestScanAgreesWithJudge(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 5))
	for _, levels := range []Levels{nil, {{At: 60, Deviation: 2, U: 0.4}, {At: 100, Deviation: 5, U: 0.5}, {At: 140, Deviation: -3, U: 0.6}}} {
		s := span()
		s.Bad.Levels = levels
		n := 3000
		s.Bad.Cycles = n
		var rs []Reading
		for i := range n {
			r := pull(fmt.Sprintf("%06d", i), string(rune('A'+rnd.IntN(3))), 100*float64(i)/float64(n), i, 0)
			target := 60 + 80*rnd.Float64()
			r.Value, r.Lower, r.Upper = nm(target*(1+0.01*rnd.NormFloat64())), nm(0.97*target), nm(1.03*target)
			if rnd.IntN(10) == 0 {
				r.Class = ""
			}
			rs = append(rs, r)
		}
		for _, most := range []int{0, 40} {
			want, err := s.Judge(rs, 0.05, most)
			if err != nil {
				t.Fatal(err)
			}
			c, err := NewScan(s, n, 0.05, most)
			if err != nil {
				t.Fatal(err)
			}
			for i := range rs {
				c.Take(compact(&rs[i], int64(i)))
			}
			got := c.Found()
			if c.InSpan != want.InSpan || c.InDoubt != want.InDoubt || len(got) != len(want.Doubts) || len(got) == 0 {
				t.Fatalf("scan: %d in span, %d in doubt, %d given; judge: %d, %d, %d", c.InSpan, c.InDoubt, len(got), want.InSpan, want.InDoubt, len(want.Doubts))
			}
			for i := range got {
				if fmt.Sprintf("%06d", got[i].ID) != want.Doubts[i].Reading.ID || math.Abs(got[i].P-want.Doubts[i].P()) > 1e-9 {
					t.Fatalf("place %d: %+v, judge has %+v", i, got[i], want.Doubts[i])
				}
			}
		}
	}
}

// By hand: between 60 N·m (2 %) and 100 N·m (5 %) lies 3.5 % at 80; below and
// above the ends hold.
func TestLevels(t *testing.T) {
	l := Levels{{At: 60, Deviation: 2, U: 0.4}, {At: 100, Deviation: 5, U: 0.5}}
	for v, want := range map[float64][2]float64{20: {2, 0.4}, 60: {2, 0.4}, 80: {3.5, 0.45}, 100: {5, 0.5}, 300: {5, 0.5}} {
		d, u := l.Of(v)
		near(t, fmt.Sprint(v), d, want[0], 1e-12)
		near(t, fmt.Sprint(v), u, want[1], 1e-12)
	}
	s := span()
	s.Good.Levels = Levels{{At: 50, Deviation: 1}}
	s.Bad.Levels = l
	r := pull("r", "A", 50, 2000, 80)
	d, err := s.Again(r)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "half way at 80", d.ByTime.Deviation, 2.25, 1e-12)
	near(t, "worst at 80", d.Worst.Deviation, 3.5, 1e-12)
}

func TestBadLevels(t *testing.T) {
	for name, l := range map[string]Levels{
		"falling":   {{At: 100}, {At: 50}},
		"no number": {{At: 100, Deviation: math.NaN()}},
		"u below 0": {{At: 100, U: -1}},
	} {
		s := span()
		s.Bad.Levels = l
		if _, err := NewScan(s, 0, 0.05, 0); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	s := span()
	c, _ := NewScan(s, 1, 0.05, 0)
	c.Take(&Pull{AtUs: at(50).UnixMicro(), Value: math.NaN(), Lower: 90, Upper: 110})
	if c.Broken != 1 || c.InDoubt != 0 {
		t.Errorf("a value that is no number: %+v", c)
	}
}

// A million pulls by columns; compare BenchmarkMillionReadings.
func BenchmarkScanMillion(b *testing.B) {
	for name, deviation := range map[string]float64{"few in doubt": -1.5, "most in doubt": 5} {
		b.Run(name, func(b *testing.B) {
			s := span()
			s.Bad.Deviation = deviation
			for b.Loop() {
				c, err := NewScan(s, 1_000_000, 0.05, 1000)
				if err != nil {
					b.Fatal(err)
				}
				p := Pull{Lower: 96, Upper: 104, U: 1, Class: 'B'}
				span := c.to - c.from
				for i := range int64(1_000_000) {
					p.ID, p.AtUs, p.Value = i, c.from+span/1_000_000*i, 99.5+0.001*float64(i%3000)
					c.Take(&p)
				}
				b.ReportMetric(float64(c.InDoubt), "in-doubt")
			}
		})
	}
}

// decision.csv D11 to D14, as a scan from the ledger takes them; compare
// TestAgainstTheDecisionTable.
func TestScanAgainstTheDecisionTable(t *testing.T) {
	for id, y := range map[string]float64{"D11": 102.9, "D12": 103.2, "D13": 104.0, "D14": 95.5} {
		var p float64
		if _, err := fmt.Sscanf(cellOf(t, id), "%g", &p); err != nil {
			t.Fatal(err)
		}
		c, err := NewScan(Span{Good: Standing{At: day0}, Bad: Standing{At: at(1), Cycles: 1}}, 1, 1e-9, 0)
		if err != nil {
			t.Fatal(err)
		}
		c.Take(&Pull{ID: 1, AtUs: at(0.5).UnixMicro(), Value: y, Lower: 96, Upper: 104, U: 1})
		if f := c.Found(); len(f) != 1 || math.Abs(1-f[0].P-p) > 5.1e-7 {
			t.Errorf("%s: %+v, want a probability of conformity of %v", id, f, p)
		}
	}
}
