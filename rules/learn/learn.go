// Package learn keeps what the pulls of released jobs taught about a joint:
// rotations, torque rates, durations and intervals, as a fold over events. From
// it come what the matching knows of the joint, and a proposal for an angle
// window with its rate of false alarms.
//
// Memory is constant: each list is a ring of the latest values. All of it is
// pure, and a State is its own snapshot in JSON. Rotations are in degrees,
// rates in newton metres per degree, times in seconds.
package learn

import (
	"maps"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/match"
)

const (
	mostValues  = 300  // a ring's length. A choice: ten jobs of 30 bolts
	mostDoubts  = 20   // jobs whose odds are kept. A choice
	mostCounted = 600  // pulls in the share of unfinished ones; beyond, both are halved
	mostKeys    = 5000 // joints in a State; the one that was idle longest goes first
	surely      = 0.9  // least probability of the explanation that teaches
)

// Ring holds the latest values of one kind.
type Ring struct {
	Values []float64 `json:"values,omitempty"`
	Jobs   []int32   `json:"jobs,omitempty"` // State.Jobs when each came, where jobs are told apart
	Next   int       `json:"next,omitempty"` // where the next one goes, once it is full
	Seen   int       `json:"seen,omitempty"` // values ever added
}

// Add puts in a finite number; anything else is passed over.
func (r *Ring) Add(x float64) { r.addOf(x, 0) }

// addOf does so of a job, where jobs are told apart; else it is 0.
func (r *Ring) addOf(x float64, job int32) {
	if x-x != 0 {
		return
	}
	r.Seen++
	if len(r.Values) < mostValues {
		r.Values = append(r.Values, x)
		if job > 0 {
			r.Jobs = append(r.Jobs, job)
		}
		return
	}
	at := r.Next % mostValues
	r.Values[at] = x
	if at < len(r.Jobs) {
		r.Jobs[at] = job
	}
	r.Next = (r.Next + 1) % mostValues
}

// byJob is what the matching takes of it.
func (r *Ring) byJob() match.Values { return match.Values{X: r.Values, Job: r.Jobs} }

// Joint is what was learned about one pass of a joint.
type Joint struct {
	Fresh    Ring `json:"fresh"`    // rotation of a first pull, degrees
	Repeat   Ring `json:"repeat"`   // rotation of a pull on a tight fastener, degrees
	Rate     Ring `json:"rate"`     // torque rate after snug, N·m per degree
	Duration Ring `json:"duration"` // of a first pull, s
	Interval Ring `json:"interval"` // from one pull of the pass to the next, s; without the latter's duration where that is told
	// Of pulls without a rotation, each over the middle of the first pulls of its job:
	Pace Ring `json:"pace"` // interval of a first pull
	Peak Ring `json:"peak"` // torque of a first pull
	Rise Ring `json:"rise"` // torque of a pull on a tight fastener
	Aim  Ring `json:"aim"`  // those middles of the torque, one for each job, N·m
	// The odds that a fastener was left out, in the latest jobs that taught.
	Doubt []float64 `json:"doubt,omitempty"`
	// How many pulls ended a tightening, and how many were unfinished.
	Wholes int `json:"wholes,omitempty"`
	Swings int `json:"swings,omitempty"`
	Swung  int `json:"swung,omitempty"` // tightenings that had one
	Jobs   int `json:"jobs"`
	Last   int `json:"last"` // State.Jobs when it last learned
}

// Known converts to what the matching takes, of one pass by itself.
func (j *Joint) Known() match.Known {
	if j == nil {
		return match.Known{}
	}
	return *Together([]*Joint{j}, make([]match.Turns, 1))[0]
}

// own is what a pass tells of itself alone.
func (j *Joint) own() match.Known {
	k := match.KnownFrom(j.Fresh.Values, nil, j.Duration.Values, j.Interval.Values, j.Rate.Values)
	k.FromTorque(j.Pace.byJob(), j.Peak.byJob(), j.Rise.Values, j.Aim.Values)
	for _, odds := range j.Doubt {
		k.Doubt = max(k.Doubt, odds)
	}
	k.Wholes, k.Swings, k.Swung = float64(j.Wholes), float64(j.Swings), float64(j.Swung)
	return k
}

// Together gives what is known of passes that the same hands pull with the same tools,
// such as those of a procedure; passes tell which joint each is of, and its torques. Each tells
// besides what a tight fastener seems to turn in the others, by how much the spread of
// rotations differs from one job to the next, of what shape the spread is in the others, and
// how far the odds of a miss went in their released jobs. nil for one of which nothing is known.
func Together(joints []*Joint, passes []match.Turns) []*match.Known {
	var all, own []*match.Known
	var fresh, pace, peak []match.Values
	var turns []match.Turns
	for i, j := range joints {
		if j == nil {
			all = append(all, nil)
			continue
		}
		k := j.own()
		all, own = append(all, &k), append(own, &k)
		fresh, pace, peak = append(fresh, j.Fresh.byJob()), append(pace, j.Pace.byJob()), append(peak, j.Peak.byJob())
		t := passes[i]
		t.X = j.Repeat.Values
		turns = append(turns, t)
	}
	match.Turned(own, fresh)
	match.Hands(own, pace, peak)
	match.TightTurns(own, turns)
	doubt := 0.0
	for _, k := range own {
		doubt = max(doubt, k.Doubt)
	}
	for _, k := range own {
		k.Doubt = doubt
	}
	return all
}

// Doubts takes in, by the keys of their joints, what odds of a miss a job that was
// released came to: after Released, and of joints that it taught alone.
func (s *State) Doubts(odds map[string]float64) {
	n := s.copy()
	for _, k := range slices.Sorted(maps.Keys(odds)) {
		j := n.Joints[k]
		if j == nil {
			continue
		}
		c := *j
		c.Doubt = append(slices.Clone(j.Doubt), odds[k])
		c.Doubt = c.Doubt[max(0, len(c.Doubt)-mostDoubts):]
		n.Joints[k] = &c
	}
	*s = *n
}

// State is what was learned about all joints. The zero value and nil are
// empty. Released and Forget change it, but never write into its map or the
// joints in it: they put others in their place, so that Clone costs nothing.
type State struct {
	Joints map[string]*Joint `json:"joints,omitempty"`
	Jobs   int               `json:"jobs"` // released jobs that taught, of all joints
}

// Joint gives what was learned under a key; nil if nothing was.
func (s *State) Joint(key string) *Joint {
	if s == nil {
		return nil
	}
	return s.Joints[key]
}

// Clone gives a copy that shows no later change of s.
func (s *State) Clone() *State {
	if s == nil {
		return &State{}
	}
	c := *s
	return &c
}

// Released learns from the pulls of a released job.
// pulls are those of all steps in the order in which they were taken, the last
// weighing of each reading; key names the joint of a pull, "" where there is
// none to learn of. Only a pull whose best explanation has a probability of
// 0.9 or more teaches.
func (s *State) Released(pulls []events.PullWeighed, key func(*events.PullWeighed) string) {
	n := s.copy()
	n.Jobs++
	mine := map[string]*Joint{} // copied already
	torque := map[string]*plain{}
	last := map[string]events.Instant{}
	swinging := map[string]bool{} // the pull before was a swing
	for i := range pulls {
		p := &pulls[i]
		k := key(p)
		if k == "" {
			continue
		}
		before, had := last[k]
		last[k] = p.AtUs
		kind := best(p)
		if kind == "" {
			continue
		}
		if mine[k] == nil {
			mine[k] = n.own(k)
		}
		mine[k].take(p, kind, before, had, int32(n.Jobs))
		mine[k].takeSwing(kind, swinging[k])
		swinging[k] = kind == events.ExplainedSwing
		if turnless(p) {
			if torque[k] == nil {
				torque[k] = &plain{}
			}
			torque[k].add(p, kind, before, had)
		}
	}
	for k, t := range torque {
		mine[k].takePlain(t, int32(n.Jobs))
	}
	*s = *n
}
