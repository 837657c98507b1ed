package record

import (
	"context"
	"fmt"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// Build returns the record of a job as the ledger has it at one instant. It
// wraps ledger.ErrUnknown if there is no such job.
func Build(ctx context.Context, l *ledger.Ledger, job string) (*Record, error) {
	var r *Record
	err := l.AtOnce(ctx, func(q *ledger.Queries) error {
		f, err := gather(ctx, q, job)
		if err == nil {
			r = f.record()
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("make record of job %s: %w", job, err)
	}
	return r, nil
}

// facts is what the ledger says of a job.
type facts struct {
	job        ledger.Job
	events     []ledger.JobEvent
	steps      []ledger.StepEvent
	judgements []ledger.Judgement
	readings   map[uint64]ledger.Reading
	late       map[uint64]events.ReadingCameLate
	voids      []ledger.Void
	resets     []ledger.Reset
	deviations []ledger.Deviation
	overrides  []ledger.Override
	alerts     []ledger.Alert
	unplaced   []ledger.Unplaced
	refusals   []ledger.Refusal
	pulls      []ledger.PullWeight       // what each pull was taken for, decision by decision
	weights    map[uint64]*ledger.Weight // by reading: what it is taken for at last
	witnesses  []ledger.WitnessWeight
	asides     []ledger.Aside
	questions  []ledger.Question
	lost       []ledger.Lost
	audits     []ledger.Audit
	residuals  []ledger.Residual
	attested   attestedFacts
	holes      []ledger.Hole
	removed    []ledger.Removed // parts of removals that took captures of this job

	measurements []ledger.Measurement  // results of guided measurements
	measuring    []ledger.MeasureEvent // what happened on the way to them
	shops        []ledger.Adoption
	procedure    ledger.Procedure // zero if the ledger has none
	position     uint64
	partsFacts
	shimFacts

	proc  *procedure.Procedure // nil if it cannot be read
	state *rules.Job           // the fold over the job's decisions; nil without proc
}

func gather(ctx context.Context, q *ledger.Queries, job string) (f *facts, err error) {
	f = &facts{readings: map[uint64]ledger.Reading{}, late: map[uint64]events.ReadingCameLate{}}
	if f.job, err = q.Job(ctx, job); err != nil {
		return nil, err
	}
	if f.events, err = q.JobEvents(ctx, job); err != nil {
		return nil, err
	}
	if f.steps, err = q.StepEvents(ctx, job); err != nil {
		return nil, err
	}
	if err = f.gatherReadings(ctx, q, job); err != nil {
		return nil, err
	}
	if f.deviations, err = q.Deviations(ctx, job); err != nil {
		return nil, err
	}
	if f.overrides, err = q.Overrides(ctx, job); err != nil {
		return nil, err
	}
	if f.alerts, err = q.AlertsOf(ctx, job); err != nil {
		return nil, err
	}
	if f.refusals, err = q.Refusals(ctx, job); err != nil {
		return nil, err
	}
	if err = f.gatherWeighed(ctx, q, job); err != nil {
		return nil, err
	}
	if err = f.gatherAttested(ctx, q, job); err != nil {
		return nil, err
	}
	if err = f.gatherShims(ctx, q, job); err != nil {
		return nil, err
	}
	if err = f.gatherParts(ctx, q, job); err != nil {
		return nil, err
	}
	if f.removed, err = q.RemovedOf(ctx, job); err != nil {
		return nil, err
	}
	return f, f.gatherRest(ctx, q)
}

func (f *facts) gatherReadings(ctx context.Context, q *ledger.Queries, job string) (err error) {
	if f.judgements, err = q.JudgementsOf(ctx, job); err != nil {
		return err
	}
	rs, err := q.ReadingsOf(ctx, job)
	if err != nil {
		return err
	}
	for _, r := range rs {
		f.readings[r.Seq] = r
	}
	late, err := q.LateReadings(ctx, job)
	if err != nil {
		return err
	}
	for _, l := range late {
		f.late[l.Reading] = l
	}
	if f.voids, err = q.Voids(ctx, job); err != nil {
		return err
	}
	if f.resets, err = q.Resets(ctx, job); err != nil {
		return err
	}
	if f.measurements, err = q.MeasurementsOf(ctx, job); err != nil {
		return err
	}
	if f.measuring, err = q.MeasureEventsOf(ctx, job); err != nil {
		return err
	}
	f.unplaced, err = q.UnplacedOf(ctx, job)
	return err
}

func (f *facts) gatherRest(ctx context.Context, q *ledger.Queries) (err error) {
	if f.position, err = q.ReadPosition(ctx); err != nil {
		return err
	}
	if f.holes, err = q.Holes(ctx); err != nil {
		return err
	}
	if f.shops, err = q.ShopsUntil(ctx, f.job.Seq, f.position); err != nil {
		return err
	}
	ps, err := q.ReleasedProcedures(ctx)
	if err != nil {
		return err
	}
	for _, p := range ps {
		if p.Procedure == f.job.Procedure && p.Revision == f.job.Revision && p.Hash == f.job.Hash {
			if f.procedure, err = q.ProcedureText(ctx, p.Procedure, p.Revision); err != nil {
				return err
			}
		}
	}
	return nil
}

// record puts everything together.
func (f *facts) record() *Record {
	r := &Record{
		Standing: Standing[:], Job: f.job.Job, Status: f.job.Status, UnitSerial: f.job.UnitSerial, Customer: f.job.Customer, Weighed: f.job.Weighed,
		Opened: Moment{By: f.person(f.job.By, f.job.Seq), Bench: f.job.Bench, AtUs: f.job.AtUs}, JournalSeq: f.position,
		History: []JobEvent{}, Warnings: []string{}, Steps: []Step{}, Elsewhere: []Pull{}, Deviations: []Deviation{},
		Alerts: []Alert{}, Unplaced: []Unplaced{}, Refusals: []Refusal{},
		SetAside: []SetAside{}, Questions: []Question{}, Lost: []Lost{}, Audits: []Audit{}, Tools: []Tool{}, People: []Person{},
	}
	if f.job.EndedAtUs != 0 {
		r.Ended = &Moment{By: f.person(f.job.EndedBy, f.position), AtUs: f.job.EndedAtUs, Reason: f.job.EndReason}
	}
	f.shop(r)
	f.fold(r)
	for _, e := range f.events {
		r.History = append(r.History, f.jobEvent(e))
	}
	f.stepsInto(r)
	for _, d := range f.deviations {
		r.Deviations = append(r.Deviations, f.deviation(d))
	}
	f.overridesInto(r)
	f.attestedInto(r)
	for _, a := range f.alerts {
		r.Alerts = append(r.Alerts, f.alert(a))
	}
	for _, u := range f.unplaced {
		r.Unplaced = append(r.Unplaced, f.unplacedOne(u))
	}
	for _, x := range f.refusals {
		r.Refusals = append(r.Refusals, Refusal{Request: x.Request, By: f.person(x.By, x.Seq), Code: x.Code, Text: x.Text,
			Todo: x.Todo, Items: x.Items, AtUs: x.AtUs, Seq: x.Seq})
	}
	f.weighedInto(r)
	r.Photos = f.photosOf("")
	f.removedInto(r)
	f.warn(r)
	r.summarise(f)
	return r
}

// shop fills in the shop as it was when the job ended, or is now.
func (f *facts) shop(r *Record) {
	if len(f.shops) == 0 {
		return
	}
	s := f.shops[len(f.shops)-1]
	if r.Ended != nil {
		s = *f.shopAt(f.endSeq())
	}
	r.Shop = Shop{ID: s.ID, Name: s.Name, TorqueUnit: s.Torque, LengthUnit: s.Length}
	r.units.Torque, _ = quantity.UnitByCode(s.Torque) // none: the base unit
	r.units.Length, _ = quantity.UnitByCode(s.Length)
}

func (f *facts) endSeq() uint64 {
	if n := len(f.events); n > 0 {
		return f.events[n-1].Seq
	}
	return f.position
}

// shopAt returns the shop description in force at a sequence; an empty one if
// none was.
func (f *facts) shopAt(seq uint64) *ledger.Adoption {
	for i := len(f.shops) - 1; i >= 0; i-- {
		if f.shops[i].Seq <= seq {
			return &f.shops[i]
		}
	}
	return &ledger.Adoption{}
}

// person names somebody as the shop file did at a sequence.
func (f *facts) person(id string, seq uint64) Person {
	for _, p := range f.shopAt(seq).People {
		if p.ID == id {
			return Person{ID: id, Name: p.Name}
		}
	}
	return Person{ID: id}
}

// somebody is person for a place where nobody may be named.
func (f *facts) somebody(id string, seq uint64) *Person {
	if id == "" {
		return nil
	}
	p := f.person(id, seq)
	return &p
}

func (f *facts) jobEvent(e ledger.JobEvent) JobEvent {
	out := JobEvent{Kind: e.Kind, By: f.person(e.By, e.Seq), Bench: e.Bench, Note: e.Note, AtUs: e.AtUs, Seq: e.Seq}
	if e.To != e.By {
		out.To = f.somebody(e.To, e.Seq)
	}
	return out
}

func (f *facts) deviation(d ledger.Deviation) Deviation {
	return Deviation{Step: d.Step, Fastener: d.Fastener, Was: d.Was, By: f.person(d.By, d.Seq), Reason: d.Reason, AtUs: d.AtUs, Seq: d.Seq}
}

func (f *facts) alert(a ledger.Alert) Alert {
	return Alert{
		ID: a.Alert, Kind: a.Kind, Step: a.Step, Fasteners: a.Fasteners, Tool: a.Tool, Likely: candidates(a.Likely), P: a.P, Text: a.Text, Todo: a.Todo, Blocks: a.Blocks,
		AtUs: a.AtUs, Seq: a.Seq, ReadingSeq: a.Reading, SeenBy: f.somebody(a.SeenBy, a.Seq), SeenAtUs: a.SeenAtUs,
		Settled: !a.Open(), SettledBy: f.somebody(a.SettledBy, a.SettledSeq), SettledHow: a.SettledHow, SettledAtUs: a.SettledAtUs,
	}
}

func (f *facts) unplacedOne(u ledger.Unplaced) Unplaced {
	fate := u.Fate
	if fate == "" {
		fate = "open"
	}
	return Unplaced{Value: u.Value, SentText: u.Text, SentUnit: u.Unit, Tool: u.Tool, Bench: u.Bench, Why: u.Why, AtUs: u.AtUs,
		ReadingSeq: u.Reading, Fate: fate, FateJob: u.FateJob, FateBy: f.somebody(u.FateBy, u.FateSeq), FateReason: u.FateReason, FateAtUs: u.FateAtUs}
}

// warn says why the record may not be whole.
func (f *facts) warn(r *Record) {
	for _, h := range f.holes {
		r.Warnings = append(r.Warnings, fmt.Sprintf("events %d to %d are missing in the journal; readings may have been lost with them", h.First, h.Last))
	}
	gone := map[uint64]bool{} // readings that may be among the removed captures
	var removed int64
	for _, x := range r.Removed {
		removed += x.Captures
	}
	for i := range f.judgements {
		j := &f.judgements[i]
		if _, ok := f.readings[j.Reading]; ok || f.isResult(j.Seq) || gone[j.Reading] {
			continue
		}
		if int64(len(gone)) < removed && f.withinRemoved(j.Reading) {
			gone[j.Reading] = true
			continue
		}
		r.Warnings = append(r.Warnings, fmt.Sprintf("reading %d, judged at %d, is not in the ledger", j.Reading, j.Seq))
	}
}

func (f *facts) withinRemoved(reading uint64) bool {
	for _, x := range f.removed {
		if x.First <= reading && reading <= x.Last {
			return true
		}
	}
	return false
}

// removedInto takes the parts of each removal together.
func (f *facts) removedInto(r *Record) {
	id := ""
	for _, x := range f.removed {
		if x.Removal != id {
			id = x.Removal
			r.Removed = append(r.Removed, Removal{AtUs: x.AtUs, By: f.person(x.By, x.Seq), Rule: x.Rule, Archive: x.Name, SHA256: x.CapturesRemoved.Archive})
		}
		last := &r.Removed[len(r.Removed)-1]
		last.Captures, last.Seqs = last.Captures+x.OfJob, append(last.Seqs, x.Seq)
	}
}
