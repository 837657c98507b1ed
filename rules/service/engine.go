package service

import (
	"witnessmark/events"
	"witnessmark/rules"
)

// engine is the rules as functions, so that tests can put others in.
type engine struct {
	version  string
	new      func() *rules.State
	decide   func(*rules.State, events.Entry) []events.Outcome
	glance   func(*rules.State, events.Entry) (events.ReadingJudged, bool) // nil: never
	evolve   func(*rules.State, events.Decided)
	deadline func(*rules.State) events.Instant
	snapshot func(*rules.State) ([]byte, error)
	restore  func([]byte) (*rules.State, error)
	share    func(*rules.State, events.Entry) int // nil: all are in share 0
	clone    func(*rules.State) *rules.State      // nil: by snapshot and restore
	// weighed and adopt bring what the working state has made of a decision's
	// evidence to the visible one; nil: that makes it again where it needs it.
	weighed func(*rules.State, events.Decided) []rules.Weighed
	adopt   func(*rules.State, []rules.Weighed)
}

var theRules = engine{
	version:  rules.Version,
	new:      rules.New,
	decide:   rules.Decide,
	glance:   rules.Glance,
	evolve:   rules.Evolve,
	deadline: (*rules.State).NextDeadline,
	snapshot: (*rules.State).Snapshot,
	restore:  rules.Restore,
	share:    rules.ShareOf,
	clone:    (*rules.State).Clone,
	weighed:  (*rules.State).WeighedBy,
	adopt:    (*rules.State).Adopt,
}
