package dashboards

import (
	"encoding/json"
	"time"

	"witnessmark/events"
	"witnessmark/rules"
)

// patch is what one decision changes on a bench's page. Absent parts have not
// changed; every part is whole, so that taking a patch twice does no harm.
type patch struct {
	Seq     uint64       `json:"seq"`   // of the decision in the journal
	Cause   uint64       `json:"cause"` // of the fact it answers
	Job     string       `json:"job,omitempty"`
	Step    string       `json:"step,omitempty"` // the step being worked on
	Pass    string       `json:"pass,omitempty"`
	Count   string       `json:"count,omitempty"` // "7 of 10"
	Marks   []mark       `json:"fasteners,omitempty"`
	Reading *lastView    `json:"reading,omitempty"`
	Next    *nextView    `json:"next,omitempty"`
	Guide   *guideLive   `json:"guide,omitempty"` // what an indicator shows in a guided measurement
	Alerts  []alertPatch `json:"alerts,omitempty"`
	// Reload says that more has changed than is told here: fetch the page's
	// live part.
	Reload bool `json:"reload,omitempty"`
}

type alertPatch struct {
	ID    string `json:"id"`
	State string `json:"state"` // "raised", "seen", "settled"
	Kind  string `json:"kind,omitempty"`
	Name  string `json:"name,omitempty"`
	Tone  string `json:"tone,omitempty"`
	Text  string `json:"text,omitempty"`
	Todo  string `json:"todo,omitempty"`
}

// shot is the part of a bench that patches tell about.
type shot struct {
	job, step, pass, count string
	marks                  []mark
	next                   nextView
	guide                  guideLive
	guideKey               string
	toldAt                 time.Time // the whole shop's stream: when a reading was last told
}

func (v viewer) shot(bench string) *shot {
	s := &shot{}
	job := v.st.Jobs[v.st.BenchJob[bench]]
	if bench == "" || job == nil {
		return s
	}
	cur, pass, fastener := v.current(job)
	s.job = job.ID
	s.next, _ = v.next(job, cur, pass, fastener)
	if cur < 0 {
		return s
	}
	spec := &job.Proc.Steps[cur]
	s.step = spec.ID
	if g := v.guide(job, cur, true); g != nil {
		s.guide, s.guideKey = g.Live, g.key()
	}
	s.marks = v.marks(job, cur, fastener)
	if spec.Joint != nil {
		s.count = countWords(progress(spec, job.Steps[cur]))
		if pass < len(spec.Joint.Passes) {
			s.pass = spec.Joint.Passes[pass].Name
		}
	}
	return s
}

// touching returns those of us that may change a bench's page.
func touching(v viewer, bench string, us []Update) []Update {
	if bench == "" {
		return us
	}
	touched := func(u Update) bool {
		for _, o := range u.Decided.Outcomes {
			b, known := benchOf(v.st, o.Data)
			if !known || b == bench {
				return true
			}
		}
		return false
	}
	if len(us) == 1 {
		if touched(us[0]) {
			return us
		}
		return nil
	}
	var out []Update
	for _, u := range us {
		if touched(u) {
			out = append(out, u)
		}
	}
	return out
}

// benchOf tells which bench's page an outcome changes; not known means that
// it may be any.
func benchOf(st *rules.State, o events.OutcomeData) (bench string, known bool) {
	ofJob := func(job string) (string, bool) {
		if j, ok := st.Jobs[job]; ok {
			return j.Bench, true
		}
		return "", false
	}
	if job, ok := measuredJob(o); ok {
		return ofJob(job)
	}
	switch o := o.(type) {
	case events.ReadingJudged:
		if b, ok := ofJob(o.Job); ok {
			return b, true
		}
		return o.Bench, true
	case events.ReadingUnplaced:
		return o.Bench, true
	case events.StepFinished:
		return ofJob(o.Job)
	case events.FastenerPlaced:
		return ofJob(o.Job)
	case events.DeviationAccepted:
		return ofJob(o.Job)
	case events.PullWeighed:
		return ofJob(o.Job)
	case events.WitnessWeighed:
		return ofJob(o.Job)
	case events.CyclesLost:
		return ofJob(o.Job)
	case events.QuestionAsked:
		return ofJob(o.Job)
	case events.QuestionSettled:
		return ofJob(o.Job)
	case events.ResidualAuditOpened:
		return ofJob(o.Job)
	case events.ResidualJudged:
		return ofJob(o.Job)
	case events.PullSetAside:
		return o.Bench, true
	case events.CalibrationTaken:
		return careBench(st, o.Tool)
	case events.CheckTaken:
		return careBench(st, o.Tool)
	case events.ReadingPassedOver:
		return careBench(st, o.Tool)
	case events.CycleOverloaded:
		return "", true
	case events.ItemAnswered:
		return ofJob(o.Job)
	case events.LooseEndOpened:
		return ofJob(o.Job)
	case events.LooseEndClosed:
		return ofJob(o.Job)
	case events.HoldOpened:
		return ofJob(o.Job)
	case events.HoldReleased:
		return ofJob(o.Job)
	case events.BenchTaken:
		return o.Bench, true
	case events.AlertRaised:
		if b, ok := ofJob(o.Job); ok && (o.Bench == "" || o.Bench == b) {
			return b, true
		}
		return o.Bench, o.Bench != "" && o.Job == ""
	case events.DeadlineSet, events.RequestRefused:
		return "", true // shown to nobody but who asked
	}
	return "", false
}

// patch returns the JSON of what us change on the stream's page, nil if that
// is nothing.
func (s *stream) patch(v viewer, us []Update) []byte {
	last := us[len(us)-1]
	p := patch{Seq: last.Seq, Cause: last.Decided.Cause}
	for _, u := range us {
		for _, o := range u.Decided.Outcomes {
			p.add(v, s.bench, o.Data)
		}
	}
	if s.bench == "" {
		if !s.shopPatch(v, &p) {
			return nil
		}
	} else {
		is := v.shot(s.bench)
		p.compare(s.shot, is)
		s.shot = is
		if p.empty() {
			return nil
		}
	}
	b, err := json.Marshal(p)
	if err != nil {
		return nil // strings and numbers only: cannot happen
	}
	return b
}

// shopPatch cuts a patch down to what the whole shop's pages take: alerts,
// and that there is something new.
func (s *stream) shopPatch(v viewer, p *patch) bool {
	if !p.Reload && len(p.Alerts) == 0 {
		if p.Reading == nil || v.now.Sub(s.shot.toldAt) < shopEvery {
			return false
		}
	}
	s.shot.toldAt = v.now
	p.Reading, p.Reload = nil, true
	return true
}

func (p *patch) empty() bool {
	return p.Reading == nil && p.Next == nil && p.Guide == nil && len(p.Marks) == 0 && len(p.Alerts) == 0 && !p.Reload && p.Count == "" && p.Pass == ""
}

// add takes one outcome into the patch.
func (p *patch) add(v viewer, bench string, o events.OutcomeData) {
	here := func(b, job string) bool {
		return bench == "" || b == bench || job != "" && v.st.BenchJob[bench] == job
	}
	if _, ok := measuredJob(o); ok {
		return // the guide says it, see compare
	}
	switch o := o.(type) {
	case events.ReadingJudged:
		if !here(o.Bench, o.Job) {
			return
		}
		if job, ok := v.st.Jobs[o.Job]; ok {
			if _, i := job.Proc.Step(o.Step); i >= 0 {
				p.Reading = v.lastJudged(job.Proc, i, o)
			}
		}
	case events.ReadingUnplaced:
		if here(o.Bench, "") {
			p.Reading, p.Reload = v.lastUnplaced(o), true
		}
	case events.PullSetAside:
		if u, ok := v.st.Unplaced[o.Reading]; ok && here(o.Bench, o.Job) {
			p.Reading, p.Reload = v.lastUnplaced(u), true
		}
	case events.PullWeighed, events.WitnessWeighed: // the marks say it
	case events.FastenerPlaced, events.DeadlineSet, events.RequestRefused, events.CycleOverloaded:
	case events.AlertRaised:
		if here(o.Bench, o.Job) {
			k := alertKind(o.Kind)
			p.alert(alertPatch{o.Alert, "raised", string(o.Kind), k.name, k.tone, o.Text, o.Todo})
		}
	case events.AlertAcknowledged:
		p.alert(alertPatch{ID: o.Alert, State: "seen"})
	case events.AlertSettled:
		p.alert(alertPatch{ID: o.Alert, State: "settled"})
	default:
		p.Reload = true
	}
}

func (p *patch) alert(a alertPatch) {
	p.Reload = true
	p.Alerts = append(p.Alerts, a)
}

// compare adds what differs between two shots.
func (p *patch) compare(was, is *shot) {
	p.Job, p.Step = is.job, is.step
	if was.job != is.job || was.step != is.step || was.pass != is.pass || len(was.marks) != len(is.marks) {
		p.Reload = true
	}
	if was.guideKey != is.guideKey {
		p.Reload = true
	}
	if was.guide != is.guide {
		p.Guide = &is.guide
	}
	if was.pass != is.pass {
		p.Pass = is.pass
	}
	if was.count != is.count {
		p.Count = is.count
	}
	if was.next != is.next {
		next := is.next
		p.Next = &next
	}
	for i, m := range is.marks {
		if i >= len(was.marks) || was.marks[i] != m {
			m.Say = m.sentence()
			p.Marks = append(p.Marks, m)
		}
	}
}
