package gauge

import (
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Evenly gives readings at places evenly round the part their angles, from 0.
func Evenly(values []quantity.Length) []Polar {
	out := make([]Polar, len(values))
	for i, v := range values {
		out[i] = Polar{quantity.Degrees(360 * float64(i) / float64(len(values))), v}
	}
	return out
}

// Split cuts a stream that was taken while a part turned evenly into n turns.
// With n 0 it counts the turns by itself. What is left at the end of less
// than a turn is not returned. Order is that of arrival: time stamps that
// repeat do no harm.
func Split(samples []Sample, n int) [][]Polar {
	if len(samples) < 8 {
		return nil
	}
	span := samples[len(samples)-1].At.Sub(samples[0].At).Seconds()
	if span <= 0 {
		return nil
	}
	period := span
	switch {
	case n == 0:
		if period = Period(samples, span/12, span); period == 0 {
			period = span
		}
		n = max(1, int(math.Floor(span/period+0.02)))
	case n > 1:
		if p := Period(samples, span/float64(n)*0.85, span/float64(n)*1.15); p > 0 {
			period = min(p, span/float64(n)*1.02)
		} else {
			period = span / float64(n)
		}
	}
	out := make([][]Polar, n)
	for _, s := range samples {
		at := s.At.Sub(samples[0].At).Seconds() / period
		k := int(at)
		if k >= n {
			if at > float64(n)+0.02 {
				break
			}
			k = n - 1
		}
		out[k] = append(out[k], Polar{quantity.Degrees(360 * (at - float64(k))), quantity.Millimetres(s.V.Base())})
	}
	return slices.DeleteFunc(out, func(t []Polar) bool { return len(t) < 4 })
}

// leastShare is the least share of a turn that Whole takes a stream for, and
// wholeBetter by how much better its fit must be; our own choice.
const (
	leastShare  = 0.75
	wholeBetter = 0.6
)

// Whole gives a turn that is known from its first movement to its last the
// angles that it covers. A turn that begins near its highest or lowest point
// hardly moves at first: what moved by less than unseen, in mm, is not there.
// What is, spread over 360°, would show too small an eccentricity, and a form
// error that the part does not have. So the share of the turn is taken at which
// the first harmonic leaves least, if it leaves much less and so small
// a movement can hide the rest. An out-of-round part stays as it is: there no
// share fits so much better.
func Whole(ps []Polar, unseen float64) []Polar {
	first, err := FitTurn(ps)
	if err != nil {
		return ps
	}
	best, out := first.FormSD.Millimetres()*wholeBetter, ps
	for share := 0.99; share > leastShare-1e-9; share -= 0.01 {
		cut := make([]Polar, len(ps))
		for i, p := range ps {
			cut[i] = Polar{quantity.Degrees(180*(1-share) + share*p.Angle.Degrees()), p.V}
		}
		t, err := FitTurn(cut)
		if err != nil {
			break
		}
		hidden := 2 * math.Acos(max(-1, 1-unseen/t.Eccentricity.Millimetres())) / (2 * math.Pi) // at both ends, if both are extremes
		if sd := t.FormSD.Millimetres(); sd <= best && 1-share <= 1.25*hidden {
			best, out = sd, cut
		}
	}
	return out
}

// ByMarks gives the samples of a turn their angles by the instants at which
// marks passed: first the one where the turn began, then each next one, the
// last being the first again. Between two marks the angle grows evenly.
// Samples outside are left out.
func ByMarks(samples []Sample, marks []events.Instant) []Polar {
	var out []Polar
	n := len(marks) - 1
	for _, s := range samples {
		for k := range n {
			if s.At < marks[k] || s.At >= marks[k+1] {
				continue
			}
			share := float64(s.At-marks[k]) / float64(marks[k+1]-marks[k])
			out = append(out, Polar{quantity.Degrees(360 * (float64(k) + share) / float64(n)), quantity.Millimetres(s.V.Base())})
			break
		}
	}
	return out
}

const (
	periodBins  = 24
	periodTries = 240
	periodFits  = 0.15 // share of the variance that may be left within the bins
)

// Period finds the time of one turn, in seconds, between least and most: the
// shortest after which the stream repeats itself. It folds the stream over
// each candidate and looks how much scatter is left within parts of a turn
// (phase dispersion minimisation; R. F. Stellingwerf, Astrophysical Journal
// 224, 1978: from memory). 0 if the stream does not repeat.
func Period(samples []Sample, least, most float64) float64 {
	scores := make([]float64, periodTries)
	best := math.Inf(1)
	at := func(i int) float64 { return least * math.Pow(most/least, float64(i)/(periodTries-1)) }
	for i := range scores {
		scores[i] = dispersion(samples, at(i))
		best = min(best, scores[i])
	}
	if !(best < periodFits) {
		return 0
	}
	// A multiple of the period repeats as well: take the least one that is
	// nearly as good as the best, and then the best near it.
	for i := range scores {
		if scores[i] > best+0.1 {
			continue
		}
		least := i
		for k := i; k < len(scores) && at(k) < 1.3*at(i); k++ {
			if scores[k] < scores[least] {
				least = k
			}
		}
		return sharpen(samples, at(max(least-1, 0)), at(min(least+1, periodTries-1)))
	}
	return 0
}

// sharpen finds the least dispersion between two periods, by thirds.
func sharpen(samples []Sample, lo, hi float64) float64 {
	for range 25 {
		a, b := lo+(hi-lo)/3, hi-(hi-lo)/3
		if dispersion(samples, a) <= dispersion(samples, b) {
			hi = b
		} else {
			lo = a
		}
	}
	return (lo + hi) / 2
}

// dispersion is the variance within the bins of a folded stream as a share of
// its whole variance; above 1 where it cannot be told, as where less than one
// and a half turns would be there to compare.
func dispersion(samples []Sample, period float64) float64 {
	span := samples[len(samples)-1].At.Sub(samples[0].At).Seconds()
	if span < 1.5*period {
		return 2
	}
	var sum, sq [periodBins]float64
	var n [periodBins]int
	var all, allSq float64
	v0 := samples[0].V.Base()
	for _, s := range samples {
		t := s.At.Sub(samples[0].At).Seconds() / period
		k := min(int((t-math.Floor(t))*periodBins), periodBins-1)
		v := s.V.Base() - v0
		sum[k], sq[k], n[k] = sum[k]+v, sq[k]+float64(v*v), n[k]+1
		all, allSq = all+v, allSq+float64(v*v)
	}
	count := float64(len(samples))
	whole := allSq - all*all/count
	if whole <= 0 {
		return 2
	}
	within, free := 0.0, count
	for k := range n {
		if n[k] > 0 {
			within += sq[k] - sum[k]*sum[k]/float64(n[k])
			free--
		}
	}
	if free < count/2 {
		return 2 // too few samples in each part to compare
	}
	return within / free / (whole / (count - 1))
}
