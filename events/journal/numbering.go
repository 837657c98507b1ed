package journal

import (
	"maps"
	"sync"

	"witnessmark/events"
)

// numbering knows the last number on disk of each source.
type numbering struct {
	mu   sync.RWMutex
	last map[string]uint64
}

func (n *numbering) of(source string) uint64 {
	n.mu.RLock()
	defer n.mu.RUnlock()
	return n.last[source]
}

func (n *numbering) copy() map[string]uint64 {
	n.mu.RLock()
	defer n.mu.RUnlock()
	return maps.Clone(n.last)
}

// stored notes that evs are on disk.
func (n *numbering) stored(e events.Event) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.last[e.Source] = max(n.last[e.Source], e.Number)
}

// admission gives numbers to events that are about to be written. What it has
// given counts only once it is stored.
type admission struct {
	disk    *numbering
	pending map[string]uint64
}

func (a *admission) last(source string) uint64 {
	if n, ok := a.pending[source]; ok {
		return n
	}
	return a.disk.of(source)
}

// admit numbers evs in place and tells which are new; fresh[i] is false for a
// harmless repeat. A gap refuses them all.
func (a *admission) admit(evs []events.Event, fresh []bool) error {
	given := map[string]uint64{}
	for i := range evs {
		e := &evs[i]
		last, ok := given[e.Source]
		if !ok {
			last = a.last(e.Source)
		}
		switch {
		case e.Number == 0:
			e.Number = last + 1
		case e.Number <= last:
			continue
		case e.Number > last+1:
			return &NumberGapError{Source: e.Source, Want: last + 1, Got: e.Number}
		}
		fresh[i] = true
		given[e.Source] = e.Number
	}
	maps.Copy(a.pending, given)
	return nil
}
