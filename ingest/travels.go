package ingest

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// fewWithout is the share of the samples of a pressing that may lack their
// travel: they are left out of its course, as damaged lines are. With more the
// course is told over time alone. Our own choice.
const fewWithout = 0.1

// risen is the share of the greatest force up to which the ram must not run
// back; what follows is holding, and the way home.
const risen = 0.98

// course makes the stroke of a pressing. Travel that cannot be relied on is left
// out whole and the note says why: no travel is better than a wrong one, and
// the course over time stands.
func (p *pressing) course(spec *profile.Stroke) *events.Stroke {
	out := &events.Stroke{TimesUs: p.times, Force: p.force}
	if !spec.Travel {
		return out
	}
	kept := &events.Stroke{}
	for i, x := range p.travel {
		if !math.IsNaN(x) {
			kept.TimesUs, kept.Force, kept.Travel = append(kept.TimesUs, p.times[i]), append(kept.Force, p.force[i]), append(kept.Travel, x)
		}
	}
	n, lost := len(p.travel), len(p.travel)-len(kept.Travel)
	if lost > 0 {
		out.TravelNote = fmt.Sprintf("%d of %d samples have no travel that can be used; the first: %s", lost, n, p.why)
	}
	if float64(lost) > fewWithout*float64(n) {
		return out
	}
	if back, at := runBack(kept); back > spec.Back.Base() {
		out.TravelNote = fmt.Sprintf("the travel ran back by %.2f mm while the force rose, in sample %d: look whether the probe has slipped, was set to zero meanwhile, or counts the other way", back, at+1)
		return out
	}
	kept.TravelNote = out.TravelNote
	first, start := kept.TimesUs[0], kept.Travel[0]
	for i := range kept.Travel {
		kept.TimesUs[i] -= first
		// The digits of the gauge, and no dust of the subtraction.
		kept.Travel[i] = math.Round((kept.Travel[i]-start)*1e6) / 1e6
	}
	return kept
}

// runBack returns how far the travel fell at most, in mm, until the force has
// risen, and in which sample.
func runBack(s *events.Stroke) (most float64, at int) {
	peak := 0.0
	for _, f := range s.Force {
		peak = max(peak, f)
	}
	ahead := math.Inf(-1)
	for i, x := range s.Travel {
		ahead = max(ahead, x)
		if ahead-x > most {
			most, at = ahead-x, i
		}
		if s.Force[i] >= risen*peak {
			break
		}
	}
	return most, at
}
