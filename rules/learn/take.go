package learn

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"witnessmark/events"
)

// best is the explanation that a pull teaches under; "" if none is sure, or
// cycles were lost just before and the interval and place are in doubt.
func best(p *events.PullWeighed) events.ExplanationKind {
	if len(p.Explanations) == 0 || !(p.Explanations[0].P >= surely) {
		return ""
	}
	return p.Explanations[0].Kind
}

// take puts a pull's figures into the rings. The evaluated trace tells the
// rotation better than the tool does: the spring-back is taken off.
func (j *Joint) take(p *events.PullWeighed, kind events.ExplanationKind, before events.Instant, had bool, job int32) {
	turn, rate := math.NaN(), math.NaN()
	if !p.Angle.IsZero() {
		turn = p.Angle.Base()
	}
	if t := p.Trace; t != nil {
		if !t.NetAngle.IsZero() {
			turn = t.NetAngle.Base()
		}
		if !t.Snug.IsZero() && t.RateNmDeg > 0 {
			rate = t.RateNmDeg
		}
	}
	switch kind {
	case events.ExplainedNext, events.ExplainedOther:
		j.Wholes++
		j.Fresh.addOf(turn, job)
		j.Rate.Add(rate)
		if p.DurationUs > 0 {
			j.Duration.Add(float64(p.DurationUs) / 1e6)
		}
		if d := p.AtUs - before; had && d > 0 && p.Lost == 0 && !p.Late {
			if last := events.Instant(p.DurationUs); last > 0 && last < d {
				d -= last
			}
			j.Interval.Add(float64(d) / 1e6)
		}
	case events.ExplainedRepeat:
		j.Repeat.Add(turn)
	case events.ExplainedSwing:
		j.Swings++
	}
}

// takeSwing counts a tightening that had a swing before the pull that ended it.
func (j *Joint) takeSwing(kind events.ExplanationKind, after bool) {
	if after && (kind == events.ExplainedNext || kind == events.ExplainedOther) {
		j.Swung++
	}
	if j.Wholes+j.Swings > mostCounted {
		j.Wholes, j.Swings, j.Swung = j.Wholes/2, j.Swings/2, j.Swung/2
	}
}

// plain are the pulls of one job on a joint that told no rotation.
type plain struct{ waits, peaks, repeats []float64 }

// leastPlain is how many first pulls make a middle worth comparing with. Our choice.
const leastPlain = 3

// turnless tells whether a pull told no rotation.
func turnless(p *events.PullWeighed) bool {
	return p.Angle.IsZero() && p.DurationUs == 0 && p.Trace == nil
}

func (t *plain) add(p *events.PullWeighed, kind events.ExplanationKind, before events.Instant, had bool) {
	peak := p.Torque.Base()
	switch kind {
	case events.ExplainedNext, events.ExplainedOther:
		t.peaks = append(t.peaks, peak)
		if d := p.AtUs - before; had && d > 0 && p.Lost == 0 && !p.Late {
			t.waits = append(t.waits, float64(d)/1e6)
		}
	case events.ExplainedRepeat:
		t.repeats = append(t.repeats, peak)
	}
}

// takePlain puts what the pulls told without a rotation into the rings: each beside
// the others of its job, so that pace and aim, which are a technician's, do not
// count as spread.
func (j *Joint) takePlain(t *plain, job int32) {
	if len(t.waits) >= leastPlain {
		j.Pace.overOthers(t.waits, job)
	}
	if len(t.peaks) >= leastPlain {
		j.Peak.overOthers(t.peaks, job)
		m := median(slices.Sorted(slices.Values(t.peaks)))
		for _, x := range t.repeats {
			j.Rise.Add(x / m)
		}
		j.Aim.Add(m)
	}
}

// overOthers adds values, each over the middle of the others, brought to the spread
// that it would have beside a middle that is known: over one in which it has a part
// itself, few values would seem to lie close together with single ones far out.
func (r *Ring) overOthers(xs []float64, job int32) {
	others := make([]float64, 0, len(xs))
	shrink := 1 / math.Sqrt(1+medianVar(len(xs)-1))
	for i, x := range xs {
		others = append(append(others[:0], xs[:i]...), xs[i+1:]...)
		slices.Sort(others)
		if m := median(others); m > 0 && x > 0 {
			r.addOf(math.Exp(math.Log(x/m)*shrink), job)
		}
	}
}

// medianVar is the variance of the median of n normal values of variance 1.
// Computed: π/2n for many; the small terms fit the order statistics of two to ten
// values to 0.005.
func medianVar(n int) float64 {
	small := 0.31
	if n%2 == 0 {
		small = 0.8
	}
	return 1 / (2*float64(n)/math.Pi + small)
}

// copy gives a state whose list of joints may change.
func (s *State) copy() *State {
	n := &State{Jobs: s.Jobs, Joints: make(map[string]*Joint, len(s.Joints)+1)}
	maps.Copy(n.Joints, s.Joints)
	return n
}

// own puts a copy of the joint under a key, new if need be, in its place, to
// learn from one more job. Where there are too many the one that was idle
// longest goes, of equals the first by name.
func (s *State) own(key string) *Joint {
	j := &Joint{}
	if old := s.Joints[key]; old != nil {
		*j = *old
		for _, r := range []*Ring{&j.Fresh, &j.Repeat, &j.Rate, &j.Duration, &j.Interval, &j.Pace, &j.Peak, &j.Rise, &j.Aim} {
			r.Values, r.Jobs = slices.Clone(r.Values), slices.Clone(r.Jobs)
		}
	} else if len(s.Joints) >= mostKeys {
		delete(s.Joints, slices.MinFunc(slices.Sorted(maps.Keys(s.Joints)), func(a, b string) int {
			return cmp.Compare(s.Joints[a].Last, s.Joints[b].Last)
		}))
	}
	j.Jobs++
	j.Last = s.Jobs
	s.Joints[key] = j
	return j
}

// Forget lets go of the joints whose keys begin with prefix, and tells how
// many they were.
func (s *State) Forget(prefix string) int {
	n := s.copy()
	all := len(n.Joints)
	maps.DeleteFunc(n.Joints, func(k string, _ *Joint) bool { return strings.HasPrefix(k, prefix) })
	*s = *n
	return all - len(n.Joints)
}
