package gauge

import (
	"fmt"
	"math"
	"time"

	"witnessmark/events/quantity"
)

// Ask is what is to be done now for a measurement to go on.
type Ask struct {
	Kind    Kind // of the point that is waited for
	Place   int  // from 0
	Text    string
	Have    int // of what the measurement needs …
	Of      int // … so many
	Count   string
	Turning bool // the samples of a turn are wanted, not a value at rest
	Move    bool // the indicator must move first: what it shows from before is no point
	Done    bool
}

// Next says what is to be done after the points that were taken. step is one
// step of the indicator, in base units.
func (s Spec) Next(points []Point, step float64) Ask {
	if len(points) > 0 && points[0].Kind == Value && s.Whole() {
		return Ask{Have: 1, Of: 1, Count: "values", Done: true}
	}
	switch s.Method {
	case Difference:
		return s.nextDifference(points)
	case EndPlay:
		return s.nextPlay(points, step)
	case Backlash:
		return s.nextBacklash(points, step)
	case Clearance:
		return s.nextPlace(points, "Clearance at place %d of %d: set the tip or feel the gap, hold still.")
	case RunOut:
		return s.nextRunOut(points)
	case Drag:
		return s.nextValue(points, "Turn slowly and evenly for more than a turn, and read the torque while it turns, not at the start.")
	}
	return s.nextValue(points, "Set the tip and hold still.")
}

// Whole reports whether a value that is typed stands for the whole
// measurement, as a person reads it by eye off a dial.
func (s Spec) Whole() bool { return s.Method == EndPlay || s.Streams() }

func (s Spec) nextValue(points []Point, text string) Ask {
	a := Ask{Kind: Value, Text: text, Have: len(points), Of: s.Cycles, Count: "values", Move: true, Done: len(points) >= s.Cycles}
	if len(points) > 0 {
		a.Text = "Once more: lift off. " + text
		if s.Method == Drag {
			a.Text = "Once more. " + text
		}
	}
	return a
}

func (s Spec) nextDifference(points []Point) Ask {
	a := Ask{Kind: First, Have: len(points), Of: 2, Count: "points", Move: true, Done: len(points) >= 2,
		Text: "Zero here: lift the tip, set it on the reference face, hold still."}
	if r := s.Reference.Millimetres(); r > 0 {
		a.Text = fmt.Sprintf("Zero here: lift the tip, set it on the standard of %s, hold still.", quantity.Format(s.Reference.Value(), quantity.Millimetre, -1))
	}
	if len(points) > 0 {
		a.Kind, a.Text = Other, "Now set the tip on the place to be measured, hold still."
	}
	return a
}

func (s Spec) nextPlay(points []Point, step float64) Ask {
	p := FindPlay(bases(points), step)
	return Ask{Kind: Stop, Text: strokeWords("Push", "pull it", len(points)), Have: len(p.Strokes), Of: 2*s.Cycles - 1, Count: "strokes", Move: true, Done: p.enough(s.Cycles)}
}

func strokeWords(first, back string, n int) string {
	switch {
	case n == 0:
		return first + " it to the stop one way and hold still."
	case n%2 == 1:
		return "Now " + back + " to the other stop and hold still."
	}
	return "And back to the first stop, hold still."
}

func (s Spec) nextBacklash(points []Point, step float64) Ask {
	place := 0
	if n := len(points); n > 0 {
		place = points[n-1].Place
	}
	here := At(points, place)
	done := len(here) > 0 && here[0].Kind == Place || FindPlay(bases(here), step).enough(s.Cycles)
	a := Ask{Kind: Stop, Place: place, Have: place, Of: s.Places, Count: "places", Move: true}
	if done {
		a.Have++
		a.Place++
		here = nil
	}
	a.Done = a.Have >= s.Places
	a.Text = fmt.Sprintf("Place %d of %d: hold the pinion. %s", a.Place+1, s.Places, strokeWords("Rock", "rock it", len(here)))
	if a.Place > 0 && len(here) == 0 {
		a.Text = fmt.Sprintf("Lift the tip, turn the gear on to place %d of %d, set the tip square to a tooth. Then rock to one stop and hold still.", a.Place+1, s.Places)
	}
	return a
}

// At returns the points of one place.
func At(points []Point, place int) []Point {
	var out []Point
	for _, p := range points {
		if p.Place == place {
			out = append(out, p)
		}
	}
	return out
}

func (s Spec) nextPlace(points []Point, text string) Ask {
	n := len(points)
	return Ask{Kind: Place, Place: n, Text: fmt.Sprintf(text, min(n+1, s.Places), s.Places), Have: n, Of: s.Places, Count: "places", Move: true, Done: n >= s.Places}
}

func (s Spec) nextRunOut(points []Point) Ask {
	if s.Places > 0 {
		a := s.nextPlace(points, "Place %d of %d: set the tip there and hold still.")
		if len(points) > 0 {
			a.Text = fmt.Sprintf("Turn on to place %d of %d and hold still. If the figure hardly changes, press “Take it”.", min(len(points)+1, s.Places), s.Places)
		}
		return a
	}
	if len(points) == 0 {
		return Ask{Kind: Rest, Text: "Zero here: set the tip on the surface, square to it. Hold still.", Of: 1, Count: "turns"}
	}
	a := Ask{Kind: Rest, Turning: true, Of: 1, Count: "turns"}
	switch {
	case s.Marks > 0:
		a.Text = fmt.Sprintf("Turn slowly. Press “Mark” at the first mark, at each of the %d that follow, and when the first comes round again.", s.Marks-1)
	case s.Turns > 1:
		a.Text = fmt.Sprintf("Turn slowly and evenly, %d turns without stopping, back to where you began. Then hold still.", s.Turns)
	default:
		a.Text = "Turn slowly and evenly, one whole turn, back to where you began. Then hold still."
	}
	return a
}

// Turned reports whether a stream that began at rest has come back to rest
// where it began, and which of its samples are the turn. It has if the value
// left its beginning and moved by more than the noise, was moving for two seconds or
// more, and then stood still for a second and a half near where it began: a
// slow turn nearly stands still at its highest and lowest point too. The
// figures are our own choice; where a run-out is so small that nothing can be
// seen to move, a person says that the turn is done.
func (s Stillness) Turned(samples []Sample) (turn []Sample, done bool) {
	n := len(samples)
	if n < 20 {
		return nil, false
	}
	from, to := s.moving(samples)
	if from < 0 || to <= from {
		return nil, false
	}
	still := samples[n-1].At.Sub(samples[to].At)
	if still < turnRest || samples[to].At.Sub(samples[from].At) < turnLeast {
		return nil, false
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, x := range samples {
		least, most = min(least, x.V.Base()), max(most, x.V.Base())
	}
	if most-least <= max(turnSteps*s.Resolution.Base(), turnSigmas*Noise(samples)) {
		return nil, false // an indicator that lies still flickers as much
	}
	near := max(5*s.Resolution.Base(), turnCloses*(most-least))
	if math.Abs(samples[n-1].V.Base()-samples[0].V.Base()) > near {
		return nil, false
	}
	return samples[from : to+1], true
}

// SetAnew reports whether the tip was only set somewhere else: it moved for less
// than a second, which is no turn, and has stood still for a second since, away
// from where it began.
func (s Stillness) SetAnew(samples []Sample) bool {
	n := len(samples)
	if n < 20 {
		return false
	}
	from, to := s.moving(samples)
	return from >= 0 && to > from && samples[to].At.Sub(samples[from].At) < time.Second && samples[n-1].At.Sub(samples[to].At) >= time.Second &&
		math.Abs(samples[n-1].V.Base()-samples[0].V.Base()) > 10*s.Resolution.Base()
}

// Rests returns the value, in base units, at which the end of a stream has
// stood still for so long.
func (s Stillness) Rests(samples []Sample, long time.Duration) (float64, bool) {
	n := len(samples)
	if n == 0 || samples[n-1].At.Sub(samples[0].At) < long {
		return 0, false
	}
	from := n - 1
	for from > 0 && samples[n-1].At.Sub(samples[from].At) < long {
		from--
	}
	tail := firstBases(samples[from:])
	if rangeOf(tail) > s.band(Noise(samples[from:]))*(1+1e-9) {
		return 0, false
	}
	return middle(tail), true
}

const (
	turnRest   = 1500 * time.Millisecond
	turnLeast  = 2 * time.Second
	turnCloses = 0.1 // share of the movement
	turnSteps  = 5   // a turn moves more than so many steps …
	turnSigmas = 10  // … and more than noise does in minutes
)

// moving returns the first and the last sample of a stream's movement, -1 if
// it does not move: what lies beyond the band around its beginning and around
// its end.
func (s Stillness) moving(samples []Sample) (from, to int) {
	noise := Noise(samples)
	half := max(1.5*s.Resolution.Base(), s.band(noise)/2)
	n := len(samples)
	start, end := middle(firstBases(samples[:min(8, n)])), middle(firstBases(samples[max(0, n-20):]))
	from, to = -1, -1
	for i, x := range samples {
		if math.Abs(x.V.Base()-start) > half {
			from = max(i-1, 0)
			break
		}
	}
	for i := n - 1; i >= 0; i-- {
		if math.Abs(samples[i].V.Base()-end) > half {
			to = min(i+1, n-1)
			break
		}
	}
	return from, to
}

// Flat reports whether a turn was cut off at one end, as by an indicator at
// its stop: the greatest or the least value stands for more than a fifth of
// the turn, and for much longer than the turn of its own eccentricity would
// linger there. Repeated values by themselves are nothing strange: a slow turn
// repeats every other one.
func Flat(ps []Polar, step float64) bool {
	t, err := FitTurn(ps)
	if err != nil || t.Movement.Millimetres() < 8*step {
		return false
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range ps {
		least, most = min(least, p.V.Millimetres()), max(most, p.V.Millimetres())
	}
	run := func(end float64) float64 {
		best, now := 0, 0
		for i := range 2 * len(ps) { // twice round, so that the seam does not cut
			if math.Abs(ps[i%len(ps)].V.Millimetres()-end) <= step*1.01 {
				now++
				best = max(best, min(now, len(ps)))
			} else {
				now = 0
			}
		}
		return float64(best) / float64(len(ps))
	}
	linger := math.Acos(max(0, 1-2*step/(t.Movement.Millimetres()/2))) / math.Pi
	limit := max(0.2, 2*linger)
	return run(least) > limit || run(most) > limit
}

func bases(points []Point) []float64 {
	out := make([]float64, len(points))
	for i, p := range points {
		out[i] = p.V.Base()
	}
	return out
}

func firstBases(samples []Sample) []float64 {
	out := make([]float64, len(samples))
	for i, s := range samples {
		out[i] = s.V.Base()
	}
	return out
}
