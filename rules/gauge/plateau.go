package gauge

import (
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/events/settle"
)

// Stillness says when the value of a guided measurement counts as settled, in
// the sense of events/settle: by noise, slope and time. All are our own
// choice.
type Stillness struct {
	Resolution quantity.Value // one step of the indicator
	// Widest is the most noise that may pass for stillness; zero Value: 20
	// steps. Above it the stand or the part is not still.
	Widest quantity.Value
}

const (
	stillFor    = 500 * time.Millisecond
	stillSteps  = 3  // a value that only flickers between neighbouring steps is still
	stillSigmas = 6  // nearly all of normal noise is within ±3 σ
	stillWidest = 20 // steps, where nothing is said
	stillGap    = 400 * time.Millisecond
	stillLeast  = 5 // samples
)

// Plateau is a value at which the indicator stood still.
type Plateau struct {
	V        quantity.Value // median of the window
	Spread   quantity.Value // greatest minus least sample of the window
	From, To events.Instant
	Count    int
	Index    int // of the sample at which it was found still
}

// Noise is the standard deviation of a stream's noise, in base units, whatever
// slow movement lies under it: from second differences, which take out a
// straight line, by their median, which takes no notice of jumps. For normal
// noise the second difference has √6 times its standard deviation, and the
// median of its size is 0.6745 of that. Zero for fewer than eight samples.
func Noise(samples []Sample) float64 {
	if len(samples) < 8 {
		return 0
	}
	d := make([]float64, 0, len(samples)-2)
	for i := 1; i+1 < len(samples); i++ {
		d = append(d, math.Abs(samples[i-1].V.Base()-2*samples[i].V.Base()+samples[i+1].V.Base()))
	}
	slices.Sort(d)
	return d[len(d)/2] / 0.6745 / math.Sqrt(6)
}

// band is how far the samples of a value at rest may lie apart.
func (s Stillness) band(noise float64) float64 {
	step := s.Resolution.Base()
	widest := s.Widest.Base()
	if s.Widest.IsZero() {
		widest = stillWidest * step
	}
	return min(max(stillSteps*step, stillSigmas*noise), max(widest, stillSteps*step))
}

// Plateaus finds where a stream stood still. last is the value that was taken
// before: the stream must leave it first, so that a value that is not moved is
// not taken twice. The zero Value: whatever stands still is taken.
func (s Stillness) Plateaus(samples []Sample, last quantity.Value) []Plateau {
	if len(samples) == 0 || s.Resolution.Base() <= 0 {
		return nil
	}
	band := s.band(Noise(samples))
	of := samples[0].V.WithBase
	d, err := settle.New(settle.Config{
		Window: stillFor, Band: of(band), Slope: of(band / stillFor.Seconds() / 2), Rearm: of(max(1.5*band, 4*s.Resolution.Base())),
		MaxGap: stillGap, Samples: stillLeast,
	})
	if err != nil {
		return nil // the resolution is no finite number
	}
	if !last.IsZero() {
		d.Resume(last)
	}
	var out []Plateau
	for i, x := range samples {
		got, ok := d.Add(settle.Sample{Value: x.V, Resolution: s.Resolution, At: x.At})
		if ok {
			out = append(out, Plateau{V: got.Value, Spread: got.Spread, From: got.From, To: got.To, Count: got.Count, Index: i})
		}
	}
	return out
}

// Still returns the value at which the end of a stream stands still, whether
// or not it was taken before.
func (s Stillness) Still(samples []Sample) (Plateau, bool) {
	if len(samples) == 0 {
		return Plateau{}, false
	}
	from := samples[len(samples)-1].At.Add(-2 * stillFor)
	i := len(samples) - 1
	for i > 0 && samples[i-1].At >= from {
		i--
	}
	ps := s.Plateaus(samples[i:], quantity.Value{})
	if len(ps) == 0 {
		return Plateau{}, false
	}
	p := ps[len(ps)-1]
	p.Index += i
	return p, true
}

// Resolution is the step in which the values of a stream come: the least
// difference between two of them that are not equal, but no finer than least.
// Zero if all are equal.
func Resolution(values []float64, least float64) float64 {
	v := slices.Clone(values)
	slices.Sort(v)
	step := math.Inf(1)
	for i := 1; i < len(v); i++ {
		if d := v[i] - v[i-1]; d > least*0.999 {
			step = min(step, d)
		}
	}
	if math.IsInf(step, 1) {
		return 0
	}
	return step
}
