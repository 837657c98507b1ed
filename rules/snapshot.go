package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/drift"
	"witnessmark/rules/learn"
	"witnessmark/rules/procedure"
)

// snapshotForm is the version of the form that Snapshot writes.
const snapshotForm = 3

// ErrSnapshot means that a snapshot cannot be used: it was written in another
// form, by other rules, or is broken. The state is then folded from the
// journal's beginning; nothing is lost but time.
var ErrSnapshot = errors.New("snapshot cannot be used: fold the journal from its beginning")

// snapshot is State as it is written. Procedures are written as their files.
type snapshot struct {
	Form     int
	Rules    string
	Cause    uint64
	Shop     events.Shop
	ShopHash string
	Procs    map[string]string
	Newest   map[string]string
	Jobs     []jobSnapshot // by id
	Learned  *learn.State
	Serials  map[string]SerialUse          `json:",omitempty"`
	Ended    []string                      // sorted
	Shims    map[string][]events.ShimPiece `json:",omitempty"`
	Unplaced []events.ReadingUnplaced
	Tools    []*Tool  // by id
	Alerts   []*Alert // loose ones oldest first, then those of the jobs
	Recalls  map[string]*Recall
	Series   map[string][]Series
	Peers    *drift.Peers
	Suspects map[string]events.ToolSuspected
	Renewed  map[string]events.Instant

	Boxes      map[string]events.BoxNoted `json:",omitempty"`
	Late       map[string]LateRun         `json:",omitempty"`
	BenchSince map[string]events.Instant  `json:",omitempty"`
	BenchPast  map[string]BenchPast       `json:",omitempty"`
}

type jobSnapshot struct {
	Job
	Proc string // ProcKey
}

// Snapshot writes the state, the same bytes for the same state.
func (s *State) Snapshot() ([]byte, error) {
	w := snapshot{
		Form: snapshotForm, Rules: Version, Cause: s.Cause, Shop: s.Shop, ShopHash: s.ShopHash, Procs: s.ProcTexts, Newest: s.Newest,
		Learned: s.Learned, Serials: s.Serials, Shims: s.Shims, Recalls: s.Recalls, Series: s.Series, Peers: s.Peers, Suspects: s.Suspects, Renewed: s.Renewed,
		Boxes: s.Boxes, Late: s.Late, BenchSince: s.BenchSince, BenchPast: s.BenchPast, Ended: slices.Sorted(maps.Keys(s.Ended)),
	}
	for _, id := range slices.Sorted(maps.Keys(s.Tools)) {
		w.Tools = append(w.Tools, s.Tools[id])
	}
	for _, id := range s.index.loose {
		w.Alerts = append(w.Alerts, s.Alerts[id])
	}
	for _, id := range slices.Sorted(maps.Keys(s.Jobs)) {
		j := s.Jobs[id]
		w.Jobs = append(w.Jobs, jobSnapshot{Job: *j, Proc: ProcKey(j.Proc.ID, j.Proc.Revision)})
		for _, a := range j.Alerts {
			w.Alerts = append(w.Alerts, s.Alerts[a])
		}
	}
	for _, id := range slices.Sorted(maps.Keys(s.Unplaced)) {
		w.Unplaced = append(w.Unplaced, s.Unplaced[id])
	}
	b, err := json.Marshal(w)
	if err != nil {
		return nil, fmt.Errorf("write snapshot: %w", err)
	}
	return b, nil
}

// Restore reads what Snapshot wrote. Errors wrap ErrSnapshot.
func Restore(b []byte) (*State, error) {
	var w snapshot
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&w); err != nil {
		return nil, fmt.Errorf("read snapshot: %v: %w", err, ErrSnapshot)
	}
	if w.Form != snapshotForm || w.Rules != Version {
		return nil, fmt.Errorf("read snapshot of form %d by rules %q, want %d by %q: %w", w.Form, w.Rules, snapshotForm, Version, ErrSnapshot)
	}
	s := New()
	s.Cause, s.Shop, s.ShopHash = w.Cause, w.Shop, w.ShopHash
	if w.Learned != nil {
		s.Learned = w.Learned
	}
	for _, n := range w.Tools {
		if n == nil {
			return nil, fmt.Errorf("read snapshot: a tool is missing: %w", ErrSnapshot)
		}
		s.Tools[n.ID] = n
	}
	s.indexShop()
	maps.Copy(s.Serials, w.Serials)
	s.indexCare()
	for key, text := range w.Procs { // each by itself
		s.ProcTexts[key] = text
		s.readProcedure(key)
	}
	maps.Copy(s.Newest, w.Newest)
	maps.Copy(s.Shims, w.Shims)
	maps.Copy(s.Recalls, w.Recalls)
	maps.Copy(s.Series, w.Series)
	maps.Copy(s.Suspects, w.Suspects)
	maps.Copy(s.Renewed, w.Renewed)
	if w.Peers != nil {
		s.Peers = w.Peers
	}
	s.Boxes, s.Late, s.BenchSince, s.BenchPast = w.Boxes, w.Late, w.BenchSince, w.BenchPast
	for _, id := range w.Ended {
		s.Ended[id] = true
	}
	for _, u := range w.Unplaced {
		s.keepUnplaced(u)
	}
	if err := s.restoreJobs(w.Jobs); err != nil {
		return nil, err
	}
	for _, a := range w.Alerts {
		if a == nil {
			return nil, fmt.Errorf("read snapshot: an alert is missing: %w", ErrSnapshot)
		}
		s.Alerts[a.Alert] = a
		if s.Jobs[a.Job] == nil {
			s.index.loose = append(s.index.loose, a.Alert)
		}
	}
	return s, nil
}

func (s *State) restoreJobs(jobs []jobSnapshot) error {
	for i := range jobs {
		j := &jobs[i].Job
		if j.Proc = s.Procedures[jobs[i].Proc]; j.Proc == nil || !j.shapedAs(j.Proc) {
			return fmt.Errorf("read snapshot: job %q does not fit its procedure %q: %w", j.ID, jobs[i].Proc, ErrSnapshot)
		}
		s.Jobs[j.ID] = j
		if j.Status == JobActive {
			s.BenchJob[j.Bench] = j.ID
		}
	}
	return nil
}

// shapedAs reports whether the job has the steps, fasteners and passes of p.
func (j *Job) shapedAs(p *procedure.Procedure) bool {
	if len(j.Steps) != len(p.Steps) {
		return false
	}
	for i := range p.Steps {
		want := 0
		if jt := p.Steps[i].Joint; jt != nil {
			want = len(jt.Fasteners)
			for k := range j.Steps[i].Fasteners {
				if len(j.Steps[i].Fasteners[k].Marks) != len(jt.Passes) {
					return false
				}
			}
		}
		if slices.ContainsFunc(j.Steps[i].Weigh, func(w *PassWeigh) bool { return w == nil || slices.Contains(w.Log, nil) }) {
			return false
		}
		if len(j.Steps[i].Fasteners) != want || len(j.Steps[i].Presses) != len(j.newPresses(i)) {
			return false
		}
	}
	return true
}
