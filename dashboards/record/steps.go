package record

import (
	"cmp"
	"slices"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// stepsInto adds the steps of the procedure, and what was judged for places
// that it does not know.
func (f *facts) stepsInto(r *Record) {
	placed := map[int]bool{} // indices into judgements
	if f.proc != nil && f.state != nil {
		for i := range f.proc.Steps {
			r.Steps = append(r.Steps, f.step(i, placed))
		}
	}
	for i := range f.judgements {
		if !placed[i] {
			r.Elsewhere = append(r.Elsewhere, f.pull(i, nil))
		}
	}
}

func (f *facts) step(i int, placed map[int]bool) Step {
	p, st := &f.proc.Steps[i], &f.state.Steps[i]
	s := Step{ID: p.ID, Title: p.Title, Kind: p.Kind, Done: st.Done, Accepted: st.Accepted, Statement: p.Statement, Answer: st.Answer, Events: []StepEvent{}}
	for _, e := range f.steps {
		if e.Step == p.ID {
			s.Events = append(s.Events, StepEvent{Kind: e.Kind, By: f.person(e.By, e.Seq), Note: e.Note, AtUs: e.AtUs, Seq: e.Seq})
		}
	}
	s.Items, s.Holds = f.itemsOf(p.ID), f.holdsOf(p.ID)
	f.stepParts(&s, p, i, placed)
	s.Shims = f.stepShims(p)
	switch {
	case p.Joint != nil:
		s.Joint = f.joint(p, st, placed)
	case p.Measure != nil:
		s.Measure = f.measure(p, st, placed)
	case st.Done && len(s.Events) > 0:
		last := s.Events[len(s.Events)-1]
		s.Attested = &Moment{By: last.By, AtUs: last.AtUs}
	}
	return s
}

func (f *facts) joint(p *procedure.Step, st *rules.StepState, placed map[int]bool) *Joint {
	j := p.Joint
	out := &Joint{Class: j.Class, Evidence: j.Evidence, Thread: j.Thread, Strength: j.Strength, Lubrication: j.Lubrication, Face: p.Face, Passes: []Pass{}, Fasteners: []Fastener{}}
	if face := f.proc.Face(p.Face); face != nil {
		out.FaceTitle = face.Title
	}
	for _, x := range j.Passes {
		if x.Closing && !f.job.Weighed {
			continue // nobody asks for it
		}
		out.Passes = append(out.Passes, Pass{Name: x.Name, Closing: x.Closing, Target: x.Target, LSL: x.LSL, USL: x.USL, AngleLo: x.AngleLo, AngleHi: x.AngleHi, Unit: x.Unit.Code(), unit: x.Unit})
	}
	for i := range j.Fasteners {
		out.Fasteners = append(out.Fasteners, f.fastener(p, i, &st.Fasteners[i], placed))
	}
	return out
}

func (f *facts) fastener(p *procedure.Step, i int, st *rules.FastenerState, placed map[int]bool) Fastener {
	x := p.Joint.Fasteners[i]
	out := Fastener{ID: x.ID, Note: x.Note, Xmm: x.X, Ymm: x.Y, Disturbed: st.Redo, P: st.P, Passes: []PassResult{}}
	for n := range p.Joint.Passes {
		r := PassResult{Pass: p.Joint.Passes[n].Name, Index: n, Missing: !counts(&st.Marks[n]), Pulls: f.pullsIn(p.ID, x.ID, n, &st.Marks[n], placed)}
		if p.Joint.Passes[n].Closing && r.Missing && st.ClosingNeedless() {
			r.Missing, r.NotNeeded = false, true
		}
		if len(r.Pulls) > 0 || slices.Contains(p.Joint.Passes[n].Order, i) && (f.job.Weighed || !p.Joint.Passes[n].Closing) {
			out.Passes = append(out.Passes, r)
		}
	}
	out.Deviations = f.deviationsAt(p.ID, x.ID)
	out.judge(st)
	if f.job.Weighed {
		out.gradeByFinal(p.Joint, st)
		out.Short = out.State == Witnessed && !out.Closed && weaker(out.Grade, p.Joint.Evidence)
	}
	return out
}

// counts reports whether a mark is progress: inside the limits and not held.
func counts(m *rules.Mark) bool {
	return m.Reading != 0 && !m.Judged.Held && (m.Verdict == events.Within || m.Verdict == events.Doubtful)
}

// judge says in one word how far the fastener has come, and on what evidence.
func (x *Fastener) judge(st *rules.FastenerState) {
	done := 0
	for _, p := range x.Passes {
		m := &st.Marks[p.Index]
		if p.NotNeeded {
			done++
		}
		if !counts(m) {
			continue
		}
		done++
		x.Doubtful = x.Doubtful || m.Verdict == events.Doubtful
		if x.Grade == "" || weaker(m.Grade, x.Grade) {
			x.Grade = m.Grade
		}
	}
	switch {
	case st.Accepted:
		x.State = Accepted
	case st.Held:
		x.State = Held
	case done == len(x.Passes):
		x.State = Witnessed
	case done > 0:
		x.State = Partly
	default:
		x.State = Missing
	}
	if x.State != Witnessed {
		x.Grade = ""
	}
}

// gradeByFinal grades a witnessed fastener by its final pull, or by the closing
// round if that is more: how tight it is left does not hang on the passes
// before.
func (x *Fastener) gradeByFinal(j *procedure.Joint, st *rules.FastenerState) {
	if x.State != Witnessed {
		return
	}
	x.Grade = ""
	for i := len(x.Passes) - 1; i >= 0; i-- {
		p := &x.Passes[i]
		m := &st.Marks[p.Index]
		if !counts(m) {
			continue
		}
		if x.Grade == "" || weaker(x.Grade, m.Grade) {
			x.Grade = m.Grade
		}
		if !j.Passes[p.Index].Closing {
			return
		}
		x.Closed = true
	}
}

// weaker reports whether grade a is less evidence than b.
func weaker(a, b events.Grade) bool {
	rank := []events.Grade{"", events.Counted, events.Reasoned, events.Placed}
	return slices.Index(rank, a) < slices.Index(rank, b)
}

func (f *facts) measure(p *procedure.Step, st *rules.StepState, placed map[int]bool) *Measure {
	m := p.Measure
	out := &Measure{What: m.What, Target: m.Target, LSL: m.LSL, USL: m.USL, Unit: m.Unit.Code(), unit: m.Unit, State: Missing, Deviations: f.deviationsAt(p.ID, "")}
	mark := st.Value
	if mark == nil {
		mark = new(rules.Mark)
	}
	out.Values = f.pullsIn(p.ID, "", -1, mark, placed)
	out.Guided = f.guidedOf(p.ID)
	switch {
	case st.Accepted:
		out.State = Accepted
	case counts(mark):
		out.State = Witnessed
	case mark.Reading != 0:
		out.State = Held
	}
	return out
}

func (f *facts) deviationsAt(step, fastener string) []Deviation {
	var out []Deviation
	for _, d := range f.deviations {
		if d.Step == step && d.Fastener == fastener {
			out = append(out, f.deviation(d))
		}
	}
	return out
}

// pullsIn returns what was judged for one place, in journal order; pass below 0
// means any. mark is the reading that the rules hold for it.
func (f *facts) pullsIn(step, fastener string, pass int, mark *rules.Mark, placed map[int]bool) []Pull {
	out := []Pull{}
	for i := range f.judgements {
		j := &f.judgements[i]
		if j.Step == step && j.Fastener == fastener && (pass < 0 || j.Pass == pass) && !placed[i] {
			placed[i] = true
			out = append(out, f.pull(i, mark))
		}
	}
	return out
}

// pull makes the entry of one judgement. mark is what the rules hold for its
// place, nil if that is not known.
func (f *facts) pull(i int, mark *rules.Mark) Pull {
	j := &f.judgements[i]
	r := f.readings[j.Reading]
	p := Pull{
		Step: j.Step, Pass: j.Pass, Fastener: j.Fastener, Value: j.Value, SentText: j.Text, SentUnit: j.Unit, UnitAssumed: r.UnitAssumed,
		LSL: j.LSL, Target: j.Target, USL: j.USL, U: j.U, Angle: j.Angle, Verdict: j.Verdict, Grade: j.Grade, Mode: r.Mode,
		ToolStatus: r.ToolStatus, Stale: r.Stale, Tool: f.tool(j), By: f.person(j.By, j.Seq), Bench: j.Bench, AtUs: j.AtUs,
		TakenAtUs: r.ReceivedAtUs, Claimed: j.Claimed, ReadingSeq: j.Reading, DecidedSeq: j.Seq,
		P: j.P, Trace: r.TraceSamples, ReadAs: f.readAs(j.Reading),
	}
	if l, ok := f.late[j.Reading]; ok {
		p.CameLateUs, p.Box = l.ArrivedUs, l.Box
	}
	if mark != nil && mark.Reading == j.Reading && f.lastOf(j) {
		p.Counts = counts(mark)
		p.Grade, p.P = mark.Grade, f.sureOf(j, mark.Grade)
		if !p.Counts {
			p.Fate = string(j.Verdict)
		}
		return p
	}
	f.fate(&p, j)
	return p
}

// lastOf reports whether j is the last judgement of its reading for its place.
func (f *facts) lastOf(j *ledger.Judgement) bool {
	for i := range f.judgements {
		o := &f.judgements[i]
		if o.Reading == j.Reading && o.Step == j.Step && o.Fastener == j.Fastener && o.Pass == j.Pass && o.Seq > j.Seq {
			return false
		}
	}
	return true
}

// fate says why a pull does not count: voided, set aside, read as another
// place, sent back with its fastener, or followed by another. The first of
// these that happened to it is the one.
func (f *facts) fate(p *Pull, j *ledger.Judgement) {
	p.Fate = "superseded"
	if j.Verdict == events.Low || j.Verdict == events.High {
		p.Fate = string(j.Verdict)
	}
	end := uint64(1<<64 - 1)
	for i := range f.resets {
		x := &f.resets[i]
		if x.Step == j.Step && x.Fastener == j.Fastener && x.Seq > j.Seq && x.Seq < end {
			end = x.Seq
			p.Fate, p.FateBy, p.FateWhy, p.FateAtUs = "sent back", f.somebody(x.By, x.Seq), x.Reason, x.AtUs
		}
	}
	for i := range f.voids {
		x := &f.voids[i]
		if x.Reading == j.Reading && x.Seq > j.Seq && x.Seq < end {
			end = x.Seq
			p.Fate, p.FateBy, p.FateWhy, p.FateAtUs = "voided", f.somebody(x.By, x.Seq), x.Reason, x.AtUs
		}
	}
	f.laterFate(p, j, end)
}

// fateAside is the fate of a pull that was judged before it was set aside.
const fateAside = "set aside later"

// laterFate says of a pull whether, up to end, later pulls showed it to be
// something else. A voiding in the same decision is their doing.
func (f *facts) laterFate(p *Pull, j *ledger.Judgement, end uint64) {
	for i := range f.asides {
		x := &f.asides[i]
		if x.Reading == j.Reading && x.Seq > j.Seq && x.Seq <= end {
			end = x.Seq
			p.Fate, p.FateBy, p.FateWhy, p.FateAtUs = fateAside, nil, x.Why, 0
		}
	}
	for i := range f.judgements {
		o := &f.judgements[i]
		if o.Reading == j.Reading && o.Seq > j.Seq && o.Seq <= end && (o.Step != j.Step || o.Fastener != j.Fastener || o.Pass != j.Pass) {
			end = o.Seq
			p.Fate, p.FateBy, p.FateWhy, p.FateAtUs = "counted elsewhere later", nil, join(", ", o.Step, named("fastener", o.Fastener)), 0
		}
	}
}

// tool describes the tool of a judgement as it was at that time.
func (f *facts) tool(j *ledger.Judgement) Tool {
	out := Tool{ID: j.Tool, Calibrated: j.Calibrated}
	for _, t := range f.shopAt(j.Seq).Tools {
		if t.ID != j.Tool {
			continue
		}
		out.Name, out.Serial = t.Name, t.Serial
		if t.Calibrated == j.Calibrated {
			out.Due = t.Due
		}
	}
	return out
}

// summarise counts, and lists the tools.
func (r *Record) summarise(f *facts) {
	s := &r.Summary
	s.WitnessedBy = map[string]int{}
	for i := range r.Steps {
		s.add(&r.Steps[i])
	}
	s.Readings, s.Voided, s.Deviations = f.judged(), f.voidedByPeople(), len(r.Deviations)
	s.Alerts, s.RefusedRequests = len(r.Alerts), len(r.Refusals)
	for _, a := range r.Alerts {
		if !a.Settled {
			s.AlertsOpen++
		}
	}
	for _, u := range r.Unplaced {
		if u.Fate == "open" {
			s.UnplacedOpen++
		}
	}
	r.summariseWeighed(f)
	for i := range f.judgements {
		if t := f.tool(&f.judgements[i]); !slices.Contains(r.Tools, t) {
			r.Tools = append(r.Tools, t)
		}
	}
	r.People = f.people()
}

// judged counts the readings that were judged, each once.
func (f *facts) judged() int {
	seen := map[uint64]bool{}
	for i := range f.judgements {
		seen[f.judgements[i].Reading] = true
	}
	return len(seen)
}

// voidedByPeople counts what people voided; later pulls void too, where they
// show a pull to have been something else.
func (f *facts) voidedByPeople() (n int) {
	for i := range f.voids {
		if f.voids[i].By != "" {
			n++
		}
	}
	return n
}

// people returns who worked on the job, in the order of their first deed.
func (f *facts) people() []Person {
	type deed struct {
		by  string
		seq uint64
	}
	var deeds []deed
	for _, e := range f.events {
		deeds = append(deeds, deed{e.By, e.Seq}, deed{e.To, e.Seq})
	}
	for _, e := range f.steps {
		deeds = append(deeds, deed{e.By, e.Seq})
	}
	for i := range f.judgements {
		deeds = append(deeds, deed{f.judgements[i].By, f.judgements[i].Seq})
	}
	for _, d := range f.deviations {
		deeds = append(deeds, deed{d.By, d.Seq})
	}
	for _, x := range f.parts {
		deeds = append(deeds, deed{x.By, x.Seq})
	}
	for _, x := range f.rechecks {
		deeds = append(deeds, deed{x.By, x.Seq})
	}
	for _, x := range f.photos {
		deeds = append(deeds, deed{x.By, x.Seq})
	}
	for _, x := range f.audits {
		deeds = append(deeds, deed{x.By, x.Seq})
	}
	f.attested.by(func(person string, seq uint64) { deeds = append(deeds, deed{person, seq}) })
	slices.SortStableFunc(deeds, func(a, b deed) int { return cmp.Compare(a.seq, b.seq) })
	out := []Person{}
	for _, d := range deeds {
		if p := f.person(d.by, d.seq); d.by != "" && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

func (s *Summary) add(st *Step) {
	switch {
	case st.Joint != nil:
		for i := range st.Joint.Fasteners {
			s.addFastener(&st.Joint.Fasteners[i])
		}
	case st.Measure != nil:
		s.MeasuredOf++
		if st.Measure.State == Witnessed {
			s.Measured++
		}
	default:
		s.AttestedOf++
		if st.Done && !st.Accepted {
			s.Attested++
		}
	}
}

func (s *Summary) addFastener(x *Fastener) {
	s.Fasteners++
	switch x.State {
	case Witnessed:
		s.Witnessed++
		s.WitnessedBy[string(x.Grade)]++
		if x.Doubtful {
			s.Doubtful++
		}
		if x.Short {
			s.Short++
		}
		if x.Closed {
			s.Closed++
		}
	case Accepted:
		s.Accepted++
	case Held:
		s.Held++
	case Partly:
		s.Partly++
	default:
		s.Missing++
	}
}
