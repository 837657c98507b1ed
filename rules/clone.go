package rules

import (
	"maps"
	"slices"
)

// Clone returns a copy of the state on which Evolve may go on without the
// original showing it, also in another goroutine. It copies the maps, not what
// they hold: Evolve replaces that and never writes into it, but for what apart
// copies.
func (s *State) Clone() *State {
	c := *s
	c.Procedures = maps.Clone(s.Procedures)
	c.Newest = maps.Clone(s.Newest)
	c.Jobs = make(map[string]*Job, len(s.Jobs))
	for id, j := range s.Jobs {
		c.Jobs[id] = j.apart()
	}
	c.Ended = maps.Clone(s.Ended)
	c.BenchJob = maps.Clone(s.BenchJob)
	c.Unplaced = maps.Clone(s.Unplaced)
	c.Alerts = maps.Clone(s.Alerts)
	c.Boxes, c.Late = maps.Clone(s.Boxes), maps.Clone(s.Late)
	c.BenchSince, c.BenchPast = maps.Clone(s.BenchSince), maps.Clone(s.BenchPast)
	c.Tools = maps.Clone(s.Tools)
	c.ProcTexts = maps.Clone(s.ProcTexts)
	c.Unreadable = maps.Clone(s.Unreadable)
	c.Serials = maps.Clone(s.Serials)
	c.Recalls, c.Series = maps.Clone(s.Recalls), maps.Clone(s.Series)
	c.Peers, c.Suspects, c.Renewed = s.Peers.Clone(), maps.Clone(s.Suspects), maps.Clone(s.Renewed)
	c.Learned = s.Learned.Clone()
	c.Shims = maps.Clone(s.Shims)
	c.index.unplaced = slices.Clone(s.index.unplaced)
	c.index.loose = slices.Clone(s.index.loose)
	return &c
}

// apart returns the job for another state: without the room behind its facts, to
// which Evolve appends, and with filters of its own, which are made when they are
// asked for.
func (j *Job) apart() *Job {
	c := j.clone()
	c.Facts = slices.Clip(j.Facts)
	for i := range c.Steps {
		st := &c.Steps[i]
		st.Weigh = slices.Clone(st.Weigh)
		for k := range st.Weigh {
			w := *st.Weigh[k]
			if w.filter != nil {
				w.filter = w.filter.Share()
			}
			st.Weigh[k] = &w
		}
	}
	return c
}
