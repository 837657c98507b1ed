package procedure

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events/quantity"
	"witnessmark/rules/fastening"
)

// proof warns of a torque that takes the named thread, strength class and
// lubrication past 90 % of its proof load, or leaves it below 40 %. Each
// fastener is judged by its last pass. Where the file names no strength class,
// or words that the tables do not know, nothing is said: then there is
// nothing to compute with. takes holds the fasteners of each pass.
func (r *reader) proof(s at, j *Joint, takes [][]int) {
	items := s.get("passes").items()
	type what struct {
		pass             int
		thread, strength string
	}
	var said []what
	for i := range j.Fasteners {
		last := -1
		for k := range takes {
			if slices.Contains(takes[k], i) && !j.Passes[k].Loose {
				last = k
			}
		}
		w := what{last, j.threadOf(i), j.strengthOf(i)}
		if last < 0 || slices.Contains(said, w) {
			continue
		}
		said = append(said, w)
		sh, ok := shareOfProof(j, i, &j.Passes[last])
		if !ok || !sh.Overdone && !sh.Little {
			continue
		}
		r.warn(items[last], sayShare(j, &j.Passes[last], &sh), adviseShare(&sh))
	}
}

func (j *Joint) threadOf(i int) string {
	if t := j.Fasteners[i].Thread; t != "" {
		return t
	}
	return j.Thread
}

func (j *Joint) strengthOf(i int) string {
	if s := j.Fasteners[i].Strength; s != "" {
		return s
	}
	return j.Strength
}

func shareOfProof(j *Joint, i int, p *Pass) (fastening.Share, bool) {
	tq, isTorque := p.Target.Torque()
	c, known := fastening.ConditionOf(j.Lubrication)
	t, err := fastening.ParseThread(j.threadOf(i))
	if !isTorque || !known || err != nil {
		return fastening.Share{}, false
	}
	st, err := fastening.ParseStrength(j.strengthOf(i))
	if err != nil {
		return fastening.Share{}, false
	}
	sh, err := fastening.ShareOfProof(tq, t, st, c)
	return sh, err == nil
}

func percent(x float64) string { return fmt.Sprintf("%.0f %%", math.Round(100*x)) }

func kilonewtons(f quantity.Force) string {
	return quantity.Format(f.Value(), quantity.Kilonewton, 1)
}

// sayShare says what is computed: "90 N·m on M10x1.25 10.9, oiled, is 98 % of
// the proof load …".
func sayShare(j *Joint, p *Pass, sh *fastening.Share) string {
	return fmt.Sprintf("%s on %s, class %s, %s, is about %s of the proof load: preload %s of %s, %s to %s as the nut factor lies from %.2f to %.2f (nominal %.2f; %s)",
		quantity.Format(p.Target, p.Unit, -1), sh.Thread, sh.Strength, j.Lubrication, percent(sh.Nominal), kilonewtons(sh.Preload), kilonewtons(sh.Proof),
		percent(sh.Least), percent(sh.Most), sh.LeastK, sh.MostK, sh.Condition.K, sh.Condition.Source)
}

func adviseShare(sh *fastening.Share) string {
	if sh.Overdone {
		return fmt.Sprintf("%s at most leaves room for scatter: check thread, class, lubrication and unit against the maker's figure, which comes first", percent(fastening.MostShare))
	}
	return fmt.Sprintf("%s at least keeps a joint from slipping and working loose: check thread, class, lubrication and unit against the maker's figure, which comes first", percent(fastening.LeastShare))
}
