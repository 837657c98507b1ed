package rules

import (
	"math"
	"slices"

	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// A tool may send each swing of a ratchet as a reading of its own. What a fastener
// turned is then what its pulls turned together, as the likeliest hypothesis of
// rules/match groups them.

// tightened is what a tightening had turned by the end of one of its pulls.
type tightened struct {
	from int     // its first pull
	deg  float64 // of all its pulls so far
	ok   bool    // each of them told its rotation
	last bool    // no further one of its pulls has come
}

// tightenings returns that for each pull of a pass.
func (j *Job) tightenings(step, pass int) []tightened { return j.grouped(step, pass, nil) }

// asCounted returns it as the pulls count: two that count for different fasteners are
// no parts of one, whatever the likeliest hypothesis says.
func (j *Job) asCounted(step, pass int) []tightened {
	return j.grouped(step, pass, j.marked(step, pass))
}

func (j *Job) grouped(step, pass int, marked markList) []tightened {
	pulls := j.Steps[step].Weigh[pass].pulls()
	out := make([]tightened, len(pulls))
	var parts []int
	if len(pulls) > 0 {
		parts = j.filterOf(step, pass).Parts()
	}
	for k, e := range pulls {
		x := &out[k]
		x.from, x.last = k, true
		if k < len(parts) {
			x.from = parts[k]
		}
		x.deg, x.ok = e.turn()
		if x.from != k && marked.apart(pulls[x.from].Pull.Reading, e.Pull.Reading) {
			x.from = k
		}
		if x.from == k {
			continue
		}
		for b := k - 1; b >= x.from; b-- { // the part before
			if o := &out[b]; o.from == x.from {
				x.deg, x.ok, o.last = x.deg+o.deg, x.ok && o.ok, false
				break
			}
		}
	}
	return out
}

// turnOf is what the tightening that a pull is a part of had turned by its end.
func (j *Job) turnOf(step, pass int, r *reading) (deg float64, ok bool) {
	if k := j.Steps[step].Weigh[pass].pullOf(r.seq); k >= 0 {
		x := j.tightenings(step, pass)[k]
		return x.deg, x.ok
	}
	return r.turn()
}

// turns returns the logarithms of the rotations of a pass's fasteners, but for
// that of one reading. A pull that was asked for, on one that was tight already,
// tells nothing of how far they turn.
func (j *Job) turns(step, pass int, but uint64) []float64 {
	marked := j.marked(step, pass)
	pulls, all := j.Steps[step].Weigh[pass].pulls(), j.asCounted(step, pass)
	end := make([]int, len(pulls)) // by its first pull: the last of a tightening that counts, one more
	for k, e := range pulls {
		from := all[k].from
		switch {
		case e.Pull.Reading == but:
			end[from] = -1
		case end[from] < 0:
		case marked.of(e.Pull.Reading) != nil, end[from] > 0 && from != k:
			end[from] = k + 1
		}
	}
	var idle []float64
	if slices.ContainsFunc(pulls, func(e *Evidence) bool { return e.Pull.Placed != "" }) {
		idle = j.filterOf(step, pass).Idle()
	}
	var out []float64
	for _, k := range end {
		if k > 0 && pulls[k-1].Pull.Placed != "" && k <= len(idle) && idle[k-1] >= 0.5 {
			continue
		}
		if k > 0 && all[k-1].ok {
			out = append(out, math.Log(all[k-1].deg+turnFloor))
		}
	}
	return out
}

// gripped reports whether a pass is worked on in swings, each a reading of its own:
// pulls below its limits that the next one topped.
func (w *PassWeigh) gripped(lsl quantity.Value) bool {
	pulls := w.pulls()
	n := 0
	for k := 1; k < len(pulls) && n < leastGripped; k++ {
		if x := pulls[k-1].Pull.Torque.Base(); x < lsl.Base() && pulls[k].Pull.Torque.Base() >= float64(tops*x) {
			n++
		}
	}
	return n >= leastGripped
}

// partials tells of each pull of a pass that is worked on in swings whether it was
// one that the next one topped on the same fastener, or may be yet: it ended where the
// hand or the room did, and its peak tells of neither aim nor unit. Nil where the pass
// is not worked on so.
func (j *Job) partials(step, pass int) []bool {
	w, p := j.Steps[step].Weigh[pass], &j.Proc.Steps[step].Joint.Passes[pass]
	if !w.gripped(p.LSL) {
		return nil
	}
	pulls, all := w.pulls(), j.tightenings(step, pass)
	out := make([]bool, len(pulls))
	for k, e := range pulls {
		if k+1 < len(pulls) {
			out[k] = all[k+1].from <= k && pulls[k+1].Pull.Torque.Base() >= float64(tops*e.Pull.Torque.Base())
		} else {
			out[k] = e.below(p)
		}
	}
	return out
}

// leastGripped is how many such show it. Our choice.
const leastGripped = 2

// ratherSame reports whether pull k of a pass in swings, of which torque alone is
// told, is rather one more on the fastener before it, the rest of a swing or not. To
// count it for the next one if it was not would be as wrong as the reverse.
func (t *tx) ratherSame(w *slot, k, at int) bool {
	j := t.job
	if pw := j.Steps[w.step].Weigh[w.pass]; pw.pulls()[k].turned() || !pw.gripped(w.lsl) {
		return false
	}
	p := 0.0
	for _, x := range j.filterOf(w.step, w.pass).Explain(k) {
		if !madeTight(x.Kind) && x.Fastener == at {
			p += x.P
		}
	}
	return p >= 0.5
}

// tops is how much higher than the one before it a swing comes, at least. Our
// choice: pulls of a tool that is set to another unit end alike.
const tops = 1.04

// maySwing reports whether pulls at a place may be unfinished, each swing a reading
// of its own: unless earlier jobs show that hardly one is.
func (t *tx) maySwing(w *slot) bool {
	if !t.job.Weighed || w.joint == nil {
		return false
	}
	k := &t.job.Steps[w.step].Weigh[w.pass].Known
	n := k.Wholes + k.Swings
	return n < taughtPulls || k.Swings >= float64(rareSwings*n)
}

// mostlySwings reports whether earlier jobs, or else the passes of this one, show that
// most tightenings at a place take several swings, each a reading of its own. There a
// peak that another joint aims at says nothing yet; the next pull does.
func (t *tx) mostlySwings(w *slot) bool {
	if !t.job.Weighed || w.joint == nil {
		return false
	}
	k := &t.job.Steps[w.step].Weigh[w.pass].Known
	if k.Wholes >= taughtPulls {
		return 2*k.Swung > k.Wholes
	}
	for pass := range w.pass {
		if m := t.job.filterOf(w.step, pass).Mood(); len(t.job.Steps[w.step].Weigh[pass].Log) > 0 && m.Swung > m.InOne {
			return true
		}
	}
	return false
}

// rareSwings is the share of unfinished pulls below which they are rare. Our choice.
const rareSwings = 0.02

// stillSameOne changes the expected place, where another pass has its turn, to the one
// that had the last pull, if the pull in hand is surely the rest of that one, which
// had reached the limits already.
func (t *tx) stillSameOne(w *slot, r *reading) {
	j := t.job
	s, ok := j.workingAt()
	if !ok || !j.Weighed || s.step == w.step && s.pass == w.pass || j.closing(s) || !j.plain(s.step) {
		return
	}
	jt := j.Proc.Steps[s.step].Joint
	at := j.fastenerSlot(s.step, s.pass, jt.Passes[s.pass].Order[0])
	last := j.Steps[s.step].Weigh[s.pass].last()
	if last.Pull.Tool != r.tool || r.value.Dimension() != quantity.DimTorque || !at.holds(r.value) {
		return
	}
	e := Evidence{Op: "pull", Pull: t.pullAt(&at, r), Tool: t.s.toolOf(r.tool)}
	if rest, _ := j.filterOf(s.step, s.pass).Pull(e.pull(jt, &jt.Passes[s.pass])).LastRest(); rest >= restEnough {
		*w = at
	}
}

// tookOver reports whether a pull counts for a fastener in place of the one on it
// before, which had reached the limits: whether it ended that one's tightening or
// came once more makes no difference.
func (j *Job) tookOver(marked markList, pulls []*Evidence, assign []int, k int, fastener string, p *procedure.Pass) bool {
	m := marked.of(pulls[k].Pull.Reading)
	if m == nil || m.Judged.Fastener != fastener {
		return false
	}
	for b := k - 1; b >= 0; b-- {
		if assign[b] == assign[k] {
			id := pulls[b].Pull.Reading
			return !pulls[b].below(p) && marked.of(id) == nil && j.aside(id) == nil
		}
	}
	return false
}
