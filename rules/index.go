package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/rules/drift"
	"witnessmark/rules/learn"
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// index is what State can compute from its exported parts, kept so that a
// reading costs no search.
type index struct {
	tools   map[string]toolDates
	people  map[string]events.Person
	benches map[string]bool
	// unplaced holds the keys of State.Unplaced in journal order, and perhaps
	// some that have left it since.
	unplaced []uint64
	// loose holds the ids of open alerts that belong to no job, oldest first.
	loose []string

	care map[string]string // bench id -> tool that is calibrated or checked there

	matching *match.Params // see UseMatching
}

// toolDates is a tool with its dates read.
type toolDates struct {
	events.Tool
	from, until events.Instant // in date from ≤ t < until
	// Set by tx.tool alone: where it stands, and whether a lead lets it be used
	// for the job in hand all the same.
	reg     *Tool
	allowed bool
}

// maxUnplaced is how many unplaced readings stay at hand to be claimed. Older
// ones stay in the journal and the ledger, but a shop that lets thousands lie
// does not make the rules slow.
const maxUnplaced = 4096

// New returns the state before the first event.
func New() *State {
	s := &State{
		Procedures: map[string]*procedure.Procedure{},
		Newest:     map[string]string{},
		Jobs:       map[string]*Job{},
		Ended:      map[string]bool{},
		BenchJob:   map[string]string{},
		Unplaced:   map[uint64]events.ReadingUnplaced{},
		Alerts:     map[string]*Alert{},
		Tools:      map[string]*Tool{},
		ProcTexts:  map[string]string{},
		Unreadable: map[string]string{},
		Serials:    map[string]SerialUse{},
		Recalls:    map[string]*Recall{},
		Series:     map[string][]Series{},
		Peers:      drift.NewPeers(),
		Suspects:   map[string]events.ToolSuspected{},
		Renewed:    map[string]events.Instant{},
		Learned:    &learn.State{},
		Shims:      map[string][]events.ShimPiece{},
	}
	s.indexShop()
	return s
}

// UseMatching sets the parameters by which jobs opened from now on weigh their
// pulls, nil for the usual ones. It is for measuring what a wrong assumption
// costs: a journal is always judged by the usual ones, and neither a snapshot
// nor an event holds any others.
func (s *State) UseMatching(p *match.Params) { s.index.matching = p }

// indexShop reads the dates of the tools once, those of the shop file or newer
// ones that the journal knows. Dates are days in UTC.
func (s *State) indexShop() {
	x := &s.index
	x.tools = make(map[string]toolDates, len(s.Shop.Tools))
	for _, t := range s.Shop.Tools {
		d := toolDates{Tool: t}
		d.dated(t.Calibrated, t.Due)
		if n := s.Tools[t.ID]; n != nil {
			d.dated(n.Calibrated, n.Due)
		}
		x.tools[t.ID] = d
	}
	x.people = make(map[string]events.Person, len(s.Shop.People))
	for _, p := range s.Shop.People {
		x.people[p.ID] = p
	}
	x.benches = make(map[string]bool, len(s.Shop.Benches))
	for _, b := range s.Shop.Benches {
		x.benches[b.ID] = true
	}
}

// keepUnplaced adds r and lets go of the oldest where there are too many.
func (s *State) keepUnplaced(r events.ReadingUnplaced) {
	if _, known := s.Unplaced[r.Reading]; !known {
		s.index.unplaced = append(s.index.unplaced, r.Reading)
	}
	s.Unplaced[r.Reading] = r
	for len(s.Unplaced) > maxUnplaced {
		delete(s.Unplaced, s.index.unplaced[0])
		s.index.unplaced = s.index.unplaced[1:]
	}
	if len(s.index.unplaced) > 2*maxUnplaced {
		s.index.unplaced = slices.DeleteFunc(slices.Clone(s.index.unplaced), func(id uint64) bool {
			_, there := s.Unplaced[id]
			return !there
		})
	}
}
