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
func (j *Joint) take(p *events.PullWeighed, kind events.ExplanationKind, before events.Instant, had bool) {
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
		j.Fresh.Add(turn)
		j.Rate.Add(rate)
		if p.DurationUs > 0 {
			j.Duration.Add(float64(p.DurationUs) / 1e6)
		}
		if d := p.AtUs - before; had && d > 0 && p.Lost == 0 {
			j.Interval.Add(float64(d) / 1e6)
		}
	case events.ExplainedRepeat:
		j.Repeat.Add(turn)
	}
}

// joint gives the joint under a key, new if need be. Where there are too many
// the one that was idle longest goes, of equals the first by name.
func (s *State) joint(key string) *Joint {
	if j := s.Joints[key]; j != nil {
		return j
	}
	if s.Joints == nil {
		s.Joints = map[string]*Joint{}
	}
	if len(s.Joints) >= mostKeys {
		oldest := slices.MinFunc(slices.Sorted(maps.Keys(s.Joints)), func(a, b string) int {
			return cmp.Compare(s.Joints[a].Last, s.Joints[b].Last)
		})
		delete(s.Joints, oldest)
	}
	j := &Joint{}
	s.Joints[key] = j
	return j
}

// Forget lets go of all joints whose key begins with prefix, and tells how
// many they were.
func (s *State) Forget(prefix string) int {
	n := len(s.Joints)
	maps.DeleteFunc(s.Joints, func(k string, _ *Joint) bool { return strings.HasPrefix(k, prefix) })
	return n - len(s.Joints)
}

// Clone gives a copy that shares nothing with s.
func (s *State) Clone() *State {
	c := &State{Jobs: s.Jobs}
	if s.Joints != nil {
		c.Joints = make(map[string]*Joint, len(s.Joints))
	}
	for k, j := range s.Joints {
		d := *j
		for _, r := range []*Ring{&d.Fresh, &d.Repeat, &d.Rate, &d.Duration, &d.Interval} {
			r.Values = slices.Clone(r.Values)
		}
		c.Joints[k] = &d
	}
	return c
}
