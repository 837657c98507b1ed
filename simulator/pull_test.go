package simulator

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/events/quantity"
)

// figures reads rows of the joint reference table, by id.
func figures(t *testing.T) map[string][]string {
	t.Helper()
	f, err := os.Open("../../shared/reference/joint.csv")
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data (joint.csv): %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]string{}
	for _, r := range rows[1:] {
		all[r[0]] = r
	}
	return all
}

func numbers(t *testing.T, s string) []float64 {
	t.Helper()
	var all []float64
	for part := range strings.SplitSeq(s, ";") {
		x, err := strconv.ParseFloat(strings.Trim(part, " <>="), 64)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, x)
	}
	return all
}

// The default joint is hard in the sense of ISO 5393 (row J27: at most 27°
// from 10 % to 100 % of the torque), a joint of 324° is soft (J29), and the
// torque rates for 100 N·m are those of row J31.
func TestStiffnessAgainstReference(t *testing.T) {
	rows := figures(t)
	if hard, turn := numbers(t, rows["J27"][4])[0], (Joint{}).orDefault().Turn.Degrees(); !(turn <= hard) {
		t.Errorf("the default joint turns %v°, a hard one at most %v°", turn, hard)
	}
	soft := numbers(t, rows["J29"][4])[0]
	rates := numbers(t, rows["J31"][4])
	for i, turn := range []float64{27, soft, numbers(t, rows["J28"][4])[0]} {
		b := newBolt(rand.New(rand.NewPCG(1, 1)), Joint{Turn: quantity.Degrees(turn), Scatter: 1e-9}, 100)
		if math.Abs(b.rate/rates[i]-1) > 1e-4 { // five figures are printed
			t.Errorf("%v°: rate %v N·m/°, want %v", turn, b.rate, rates[i])
		}
		p := b.pull(rand.New(rand.NewPCG(1, 2)), 100)
		if got := p.Angle.Degrees(); math.Abs(got/turn-1) > 1e-6 {
			t.Errorf("%v°: a pull from nought to 100 N·m turns %v° above 10 %%", turn, got)
		}
	}
}

// At one torque, friction decides the preload, and the preload the angle: the
// scatter of the angle is that of the preload in rows J25 (dry) and J26
// (lubricated), measured by Blake and Kurtz.
func TestFrictionScatterAgainstReference(t *testing.T) {
	rows := figures(t)
	for id, scatter := range map[string]float64{"J25": Dry, "J26": Lubricated} {
		f := numbers(t, rows[id][4])
		want := f[1] / f[0]
		rng := rand.New(rand.NewPCG(3, 4))
		var rates []float64
		for range 20000 {
			rates = append(rates, newBolt(rng, Joint{Turn: quantity.Degrees(90), Scatter: scatter}, 90).rate)
		}
		mean, sd := meanSD(rates)
		if got := sd / mean; math.Abs(got/want-1) > 0.03 { // six standard errors of a standard deviation
			t.Errorf("%s: scatter %.4f, want %.4f", id, got, want)
		}
		if math.Abs(mean-0.9) > 0.01 {
			t.Errorf("%s: mean rate %v N·m/°, want 0.9", id, mean)
		}
	}
}

func meanSD(xs []float64) (mean, sd float64) {
	for _, x := range xs {
		mean += x / float64(len(xs))
	}
	for _, x := range xs {
		sd += (x - mean) * (x - mean) / float64(len(xs)-1)
	}
	return mean, math.Sqrt(sd)
}

// Habits of a hand: the middle half of the limits, a little past the target.
func TestHandStaysWithinTheMiddle(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var all []float64
	for range 5000 {
		peak := hand(rng, 100, 90, 110)
		if !(95 <= peak && peak <= 105) {
			t.Fatalf("peak %v", peak)
		}
		all = append(all, peak)
	}
	if mean, sd := meanSD(all); math.Abs(mean-101.2) > 0.1 || math.Abs(sd-0.8) > 0.1 {
		t.Errorf("mean %v, standard deviation %v; want 101.2 and 0.8", mean, sd)
	}
}

// A pull is plausible: the torque rises to the peak and falls to nought between
// swings, the fastener never turns back, no swing is wider than an arm.
func TestPullIsPlausible(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, turn := range []float64{10, 24, 90, 360} {
		b := newBolt(rng, Joint{Turn: quantity.Degrees(turn)}, 120)
		for _, target := range []float64{40, 80, 120, 119, 121} {
			before := b.torque
			p := b.pull(rng, target)
			trace := p.Trace(time.Millisecond)
			peak, last := 0.0, -1.0
			for i, s := range trace {
				nm, deg := s.Torque.NewtonMetres(), s.Angle.Degrees()
				peak = math.Max(peak, nm)
				if deg < last-1e-9 || (i > 0 && s.At < trace[i-1].At) {
					t.Fatalf("turn %v, target %v: at %v the fastener turns back or time does", turn, target, s.At)
				}
				last = deg
			}
			if math.Abs(peak-target) > 1e-9 || math.Abs(last-p.Angle.Degrees()) > 1e-6 {
				t.Errorf("turn %v: the trace peaks at %v N·m, %v°; the pull at %v N·m, %v", turn, peak, last, target, p.Angle)
			}
			if target < before && p.Angle.Degrees() != 0 {
				t.Errorf("a fastener at %v N·m turned at %v N·m", before, target)
			}
			if b.torque != math.Max(before, target) {
				t.Errorf("the fastener is at %v N·m", b.torque)
			}
			if want := int(math.Ceil(p.Angle.Degrees() / leastSwing)); len(p.Swings) > max(want, 1) {
				t.Errorf("%v° took %d swings", p.Angle.Degrees(), len(p.Swings))
			}
			if !(0 < p.Duration && p.Duration <= p.Whole) {
				t.Errorf("duration %v of %v", p.Duration, p.Whole)
			}
			for _, s := range p.Swings {
				if s.Turn.Degrees() > mostSwing {
					t.Errorf("a swing of %v°", s.Turn.Degrees())
				}
			}
		}
	}
}

func TestLongTurnsAreRatcheted(t *testing.T) {
	b := newBolt(rand.New(rand.NewPCG(9, 9)), Joint{Turn: quantity.Degrees(324)}, 100)
	p := b.pull(rand.New(rand.NewPCG(9, 10)), 100)
	if len(p.Swings) < 5 {
		t.Errorf("%v° in %d swings", p.Angle.Degrees(), len(p.Swings))
	}
	falls := 0
	trace := p.Trace(5 * time.Millisecond)
	for i := 1; i < len(trace); i++ {
		if trace[i].Torque.NewtonMetres() == 0 && trace[i-1].Torque.NewtonMetres() > 0 {
			falls++
		}
	}
	if falls != len(p.Swings) {
		t.Errorf("the torque falls to nought %d times in %d swings", falls, len(p.Swings))
	}
}
