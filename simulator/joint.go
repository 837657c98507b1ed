package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"witnessmark/events/quantity"
)

// Joint is what a fastener feels like at the wrench.
type Joint struct {
	// Turn is the rotation from 10 % to 100 % of the joint's greatest target.
	// ISO 5393 calls a joint hard up to 27° and soft from 324° (2017; the
	// edition of 1994 said 650°). The zero Angle means 24°.
	Turn quantity.Angle
	// Scatter is the standard deviation of the torque rate from fastener to
	// fastener, as a share of its mean. 0 means Lubricated.
	Scatter float64
}

// Scatter of the preload at one torque, and so of the torque rate, measured on
// a 1/2-20 UNF bolt: Blake and Kurtz in Shigley's Mechanical Engineering
// Design, 9th edition, tables 8-13 and 8-14: 2.88 of 34.18 kN and 4.91 of
// 34.3 kN.
const (
	Lubricated = 2.88 / 34.18
	Dry        = 4.91 / 34.3
)

func (j Joint) orDefault() Joint {
	if j.Turn.Degrees() <= 0 {
		j.Turn = quantity.Degrees(24)
	}
	if j.Scatter <= 0 {
		j.Scatter = Lubricated
	}
	return j
}

// bolt is one fastener in the part.
type bolt struct {
	rate   float64 // N·m per degree
	torque float64 // N·m it is truly tightened to
	pulls  int
}

// newBolt rolls the friction of one fastener. The torque rises evenly with
// the angle, from 10 % to 100 % of greatest over the joint's turn.
func newBolt(rng *rand.Rand, j Joint, greatest float64) *bolt {
	j = j.orDefault()
	mean := 0.9 * greatest / j.Turn.Degrees()
	return &bolt{rate: mean * lognormal(rng, j.Scatter)}
}

// lognormal has mean 1 and standard deviation cv; it is never negative.
func lognormal(rng *rand.Rand, cv float64) float64 {
	s2 := math.Log(1 + cv*cv)
	return math.Exp(rng.NormFloat64()*math.Sqrt(s2) - s2/2)
}

// Swing is one stroke of the wrench between two strokes of the ratchet.
type Swing struct {
	Start, Length time.Duration   // from the start of the pull
	From, To      quantity.Torque // at the beginning and the end of the turning
	Turn          quantity.Angle  // of the fastener
}

// Pull is one application of a torque wrench: the swings with which a
// fastener was brought to its peak. The wrench takes swings that follow each
// other within a second as one pull.
type Pull struct {
	Peak     quantity.Torque // true; what the wrench reports differs by its error
	Angle    quantity.Angle  // turned above the wrench's threshold
	Duration time.Duration   // of the torque above the threshold, without the pauses
	Whole    time.Duration   // from the first touch to letting go
	Swings   []Swing
}

// Habits of a hand with a ratchet, our own choice: 30° to 55° a swing, 25 to
// 40 degrees a second, 0.3 to 0.5 s to swing back.
const (
	leastSwing, mostSwing = 30.0, 55.0 // degrees
	leastSpeed, mostSpeed = 25.0, 40.0 // degrees a second
	leastBack, mostBack   = 0.3, 0.5   // s
	windUp                = 0.35       // s to load the wrench up to where the fastener moves
	threshold             = 0.1        // share of the peak from which a wrench counts
)

// pull brings b to peak (N·m) and returns how. A fastener that is tighter
// already does not turn: the wrench reaches its peak first.
func (b *bolt) pull(rng *rand.Rand, peak float64) Pull {
	from := math.Max(b.torque, threshold*peak)
	left := math.Max(0, (peak-from)/b.rate)
	p := Pull{Peak: quantity.NewtonMetres(peak), Angle: quantity.Degrees(left)}
	torque := math.Min(from, peak)
	for first := true; first || left > 1e-9; first = false {
		if !first {
			p.Whole += seconds(between(rng, leastBack, mostBack))
		}
		turn := math.Min(left, between(rng, leastSwing, mostSwing))
		s := Swing{
			Start: p.Whole, Length: seconds(windUp + turn/between(rng, leastSpeed, mostSpeed)),
			From: quantity.NewtonMetres(torque), Turn: quantity.Degrees(turn),
		}
		left -= turn
		torque += turn * b.rate
		if left <= 1e-9 {
			torque = peak
		}
		s.To = quantity.NewtonMetres(torque)
		p.Swings = append(p.Swings, s)
		p.Whole += s.Length
		p.Duration += s.Length - seconds(windUp*threshold*peak/s.From.NewtonMetres())
	}
	b.torque = math.Max(b.torque, peak)
	b.pulls++
	return p
}

// Sample is the torque and the angle at one moment of a pull.
type Sample struct {
	At     time.Duration // since the start of the pull
	Torque quantity.Torque
	Angle  quantity.Angle // of the fastener, above the threshold
}

// Trace returns what a wrench that samples every dt would see, from the first
// touch to letting go. The torque falls to nought between swings.
func (p Pull) Trace(dt time.Duration) []Sample {
	var all []Sample
	turned := 0.0
	for _, s := range p.Swings {
		for at := time.Duration(0); at < s.Length; at += dt {
			nm, deg := s.at(at)
			all = append(all, Sample{s.Start + at, quantity.NewtonMetres(nm), quantity.Degrees(turned + deg)})
		}
		turned += s.Turn.Degrees()
		end := s.Start + s.Length
		all = append(all, Sample{end, s.To, quantity.Degrees(turned)}, Sample{end + dt, quantity.NewtonMetres(0), quantity.Degrees(turned)})
	}
	return all
}

// at returns torque and turn within a swing: the wrench winds up, then the
// fastener turns evenly.
func (s Swing) at(t time.Duration) (nm, deg float64) {
	up := seconds(windUp)
	from, to := s.From.NewtonMetres(), s.To.NewtonMetres()
	if t < up {
		return from * t.Seconds() / up.Seconds(), 0
	}
	share := 1.0
	if s.Length > up {
		share = float64(t-up) / float64(s.Length-up)
	}
	return from + (to-from)*share, s.Turn.Degrees() * share
}

func between(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// hand returns the peak (N·m) at which a person who watches the wrench lets
// go: a little past the target, by the time it takes to stop. Mean 1.2 % of
// the target, standard deviation 0.8 % (our own choice), and never so far that
// it leaves the middle half of the limits.
func hand(rng *rand.Rand, target, low, high float64) float64 {
	peak := target * (1 + 0.012 + 0.008*rng.NormFloat64())
	if low < high {
		lo, hi := (target+low)/2, (target+high)/2
		peak = math.Min(math.Max(peak, lo), hi)
	}
	return peak
}
