package recall

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"witnessmark/events/quantity"
)

var day0 = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func at(days float64) time.Time { return day0.Add(time.Duration(days * 24 * float64(time.Hour))) }

func nm(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }

// span is invented: a wrench good on day 0, reading 5 % high on day 100, after
// 4,000 cycles.
func span() Span {
	return Span{Good: Standing{At: day0, Deviation: 0, U: 0.5}, Bad: Standing{At: at(100), Cycles: 4000, Deviation: 5, U: 0.5}}
}

func pull(id, class string, days float64, cycles int, value float64) Reading {
	return Reading{ID: id, Class: class, At: at(days), Cycles: cycles, Value: nm(value), Lower: nm(96), Upper: nm(104), U: 0.5}
}

// By hand: half way by time the tool read 2.5 % high, so 100 N·m was 97.561; a
// quarter by cycles 1.25 %, 98.765; at worst 5 %, 95.238.
func TestThreeWaysByHand(t *testing.T) {
	res, err := span().Judge([]Reading{pull("r", "A", 50, 1000, 100)}, 0, 0)
	if err != nil || res.InSpan != 1 || len(res.Doubts) != 1 {
		t.Fatal(res, err)
	}
	d := res.Doubts[0]
	near(t, "by time", d.ByTime.Deviation, 2.5, 1e-12)
	near(t, "true by time", d.ByTime.True.Base(), 100/1.025, 1e-9)
	near(t, "by cycles", d.ByCycles.Deviation, 1.25, 1e-12)
	near(t, "true by cycles", d.ByCycles.True.Base(), 100/1.0125, 1e-9)
	near(t, "worst", d.Worst.Deviation, 5, 0)
	near(t, "true at worst", d.Worst.True.Base(), 95.238095, 5e-7)
	// u at worst: 95.238 · √(0.5² + (0.5/1.05)²)/100 = 0.65758; the lower limit
	// lies 1.15876 of it above, so P = Φ(1.15876) = 0.87673.
	u := 95.238095 / 100 * math.Hypot(0.5, 0.5/1.05)
	near(t, "P at worst", d.Worst.POutside, 0.5*math.Erfc(-(96-95.238095)/u/math.Sqrt2), 1e-6)
	near(t, "P at worst", d.Worst.POutside, 0.8767, 0.0002)
	// By time both standings count half: u = 97.561 · √(0.25 + 2·(0.25/1.025)²)/100.
	u = 97.5609756 / 100 * math.Sqrt(0.25+2*math.Pow(0.25/1.025, 2))
	near(t, "P by time", d.ByTime.POutside, 0.5*math.Erfc((97.5609756-96)/u/math.Sqrt2), 1e-6)
}

// decision.csv D11 to D14, as a recall: a tool without deviation and a reading
// with u = 0.5 N·m have one minus the probability of conformity printed there.
func TestAgainstTheDecisionTable(t *testing.T) {
	want := map[string]float64{"D11": 102.9, "D12": 103.2, "D13": 104.0, "D14": 95.5}
	s := Span{Good: Standing{At: day0}, Bad: Standing{At: at(1)}}
	for id, y := range want {
		r := pull(id, "A", 0.5, 0, y)
		r.U = 100 * 0.5 / y
		res, err := s.Judge([]Reading{r}, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		var p float64
		if _, err := fmt.Sscanf(cellOf(t, id), "%g", &p); err != nil {
			t.Fatal(err)
		}
		near(t, id, 1-res.Doubts[0].ByTime.POutside, p, 5.1e-7)
	}
}

func cellOf(t *testing.T, id string) string { return cell(t, "decision.csv", id) }

func TestOrderAndSpan(t *testing.T) {
	rs := []Reading{
		pull("late b", "B", 90, 3600, 100), pull("before", "A", -1, 0, 90), pull("early a", "A", 5, 100, 100), pull("late a", "A", 95, 3900, 99),
		pull("none", "", 95, 3900, 97), pull("after", "A", 101, 4001, 90), pull("sure", "A", 1, 10, 103),
	}
	res, err := span().Judge(rs, 0.01, 0)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, d := range res.Doubts {
		ids = append(ids, d.Reading.ID)
	}
	// By consequence first: class A before B, without a class last.
	if !slices.Equal(ids, []string{"late a", "sure", "early a", "late b", "none"}) || res.InSpan != 5 {
		t.Errorf("%q of %d", ids, res.InSpan)
	}
	if res, _ = span().Judge(rs, 0.5, 0); res.InDoubt != 4 {
		t.Errorf("%d with at least even odds", res.InDoubt)
	}
	if res, _ = span().Judge(rs, 0.01, 2); res.InDoubt != 5 || len(res.Doubts) != 2 || res.Doubts[1].Reading.ID != ids[1] {
		t.Errorf("the first two: %+v", res)
	}
}

// A tool that reads low leaves the true value high; a missing limit is no limit.
func TestOneLimit(t *testing.T) {
	s := span()
	s.Bad.Deviation = -6
	r := pull("r", "A", 99, 4000, 100)
	r.Lower = quantity.Value{}
	res, err := s.Judge([]Reading{r}, 0, 0)
	if err != nil || res.Doubts[0].ByTime.POutside < 0.99 {
		t.Errorf("%v, %+v", err, res)
	}
	r.Upper = quantity.Value{}
	if res, _ = s.Judge([]Reading{r}, 0, 0); res.Doubts[0].P() != 0 {
		t.Errorf("outside of no limits: %+v", res)
	}
}

// Cycles that did not move say nothing; the worst is assumed.
func TestCyclesThatDidNotMove(t *testing.T) {
	s := span()
	s.Bad.Cycles = 0
	res, err := s.Judge([]Reading{pull("r", "A", 50, 0, 100)}, 0, 0)
	if err != nil || res.Doubts[0].ByCycles.Deviation != 5 {
		t.Errorf("%v, %+v", err, res)
	}
}

func TestBadRecalls(t *testing.T) {
	for name, spoil := range map[string]func(*Span){
		"dates exchanged":  func(s *Span) { s.Good.At, s.Bad.At = s.Bad.At, s.Good.At },
		"count that falls": func(s *Span) { s.Good.Cycles = 5000 },
		"no number":        func(s *Span) { s.Bad.Deviation = math.NaN() },
		"nothing left":     func(s *Span) { s.Bad.Deviation = -100 },
		"uncertainty":      func(s *Span) { s.Bad.U = -1 },
	} {
		s := span()
		spoil(&s)
		if _, err := s.Judge(nil, 0, 0); !errors.Is(err, ErrSpan) {
			t.Errorf("%s: %v", name, err)
		}
	}
	mixed, nan, u := pull("r", "A", 50, 0, 100), pull("r", "A", 50, 0, math.NaN()), pull("r", "A", 50, 0, 100)
	mixed.Upper = quantity.Millimetres(3).Value()
	u.U = math.NaN()
	for _, r := range []Reading{mixed, nan, u, {ID: "empty", At: at(50)}} {
		if _, err := span().Judge([]Reading{r}, 0, 0); err == nil {
			t.Errorf("%+v passes", r)
		}
	}
}

// The first hundred of many are those of the whole list.
func TestMostKeepsTheFirst(t *testing.T) {
	rs := make([]Reading, 5000)
	for i := range rs {
		rs[i] = pull(fmt.Sprint(i), string(rune('A'+i*7%3)), float64(i%100), i%4000, 98+0.004*float64(i*13%1000))
	}
	whole, err := span().Judge(rs, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	part, err := span().Judge(rs, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	if len(part.Doubts) != 100 || part.InDoubt != whole.InDoubt {
		t.Fatalf("%d of %d", len(part.Doubts), part.InDoubt)
	}
	for i, d := range part.Doubts {
		if d.Reading.ID != whole.Doubts[i].Reading.ID {
			t.Fatalf("line %d: %s, want %s", i, d.Reading.ID, whole.Doubts[i].Reading.ID)
		}
	}
}

// The screens decide as the probabilities do.
func TestScreenAgreesWithProbability(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var rs []Reading
	for i := range 3000 {
		p := pull(fmt.Sprint(i), "A", 100*r.Float64(), r.IntN(4001), 94+12*r.Float64())
		p.U = []float64{0, 0.5, 3}[i%3]
		rs = append(rs, p)
	}
	for _, s := range []Span{span(), {Good: Standing{At: day0, Deviation: -2}, Bad: Standing{At: at(100), Cycles: 4000, Deviation: 1}}} {
		all, err := s.Judge(rs, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, least := range []float64{1e-9, 0.01, 0.3, 0.5, 0.9, 1} {
			want := 0
			for _, d := range all.Doubts {
				if d.Worst.POutside >= least {
					want++
				}
			}
			if got, _ := s.Judge(rs, least, 0); got.InDoubt != want {
				t.Errorf("%d in doubt at %v, want %d", got.InDoubt, least, want)
			}
		}
	}
}

// A million pulls of one tool: the computation alone, without the ledger. Few in
// doubt is a tool that drifted by a little against wide limits, all in doubt the
// worst that can be.
func BenchmarkMillionReadings(b *testing.B) {
	rs := make([]Reading, 1_000_000)
	for i := range rs {
		rs[i] = pull("r", "B", 100*float64(i)/1e6, 4000*i/1_000_000, 99.5+0.001*float64(i%3000))
		if i%1000 == 0 {
			rs[i].Class = "A"
		}
	}
	for name, deviation := range map[string]float64{"few in doubt": -1.5, "most in doubt": 5} {
		b.Run(name, func(b *testing.B) {
			s := span()
			s.Bad.Deviation = deviation
			for b.Loop() {
				res, err := s.Judge(rs, 0.05, 1000)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(res.InDoubt), "in-doubt")
			}
		})
	}
}
