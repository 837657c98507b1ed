package dashboards

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// mark is what one bolt shows. It is sent to the page as it is.
type mark struct {
	ID       string       `json:"id"`
	Look     rules.Look   `json:"look"`
	Grade    events.Grade `json:"grade"`
	Figure   string       `json:"figure"` // last figure that counts, without unit
	Word     string       `json:"word"`   // for the unusual states
	Next     bool         `json:"next"`
	Part     bool         `json:"part"`     // an earlier pass counts
	Accepted bool         `json:"accepted"` // left as it is by a lead's decision
	Maybe    bool         `json:"maybe"`    // it may be the one that was left out
	Evidence string       `json:"-"`        // of the last figure that counts, in words
	Say      string       `json:"say"`      // all of it as a sentence, for screen readers
}

// lastView is the last figure of the bench, in large type.
type lastView struct {
	Reading  uint64 `json:"reading"` // journal sequence
	Verdict  string `json:"verdict"` // a verdict, or "unplaced"
	Text     string `json:"text"`    // digits as the tool sent them
	Value    string `json:"value"`   // figure in the shown unit
	Unit     string `json:"unit"`
	Word     string `json:"word"`          // the verdict in words
	Where    string `json:"where"`         // "Fastener 7, final pass"
	Limits   string `json:"limits"`        // "Limits 23.4 to 28.6 lbf·ft, target 26.0"
	Sent     string `json:"sent"`          // "The tool shows 35.3 N·m", if that is another unit
	By       string `json:"by"`            // tool, time
	Evidence string `json:"evidence"`      // on what it rests
	Pin      string `json:"pin,omitempty"` // place of the figure on the gauge, 0 to 1000
	gauge    gaugeView
}

// Gauge is the figure on a line with its limits.
func (l *lastView) Gauge() gaugeView { return l.gauge }

type gaugeView struct {
	OK                    bool
	LoX, HiX, WantX, PinX string
	BandW                 string
	Lo, Hi                string
}

// nextView says what is to be done next.
type nextView struct {
	Kind  string `json:"kind"`  // "torque", "closing", "audit", "measure", "confirm", "answer", "hold", "held", "none", "idle"
	Where string `json:"where"` // "Fastener 7, at 2 o'clock"
	How   string `json:"how"`   // "final pass: 26.0 lbf·ft (23.4 to 28.6)"
	Note  string `json:"note"`  // what is unusual about it, as a sentence
}

type stepView struct {
	ID, Title, Kind    string
	Number, Of         int
	Text, Cautions     []string
	Statement          string
	Confirm            bool // is confirmed by hand
	Pass               string
	PassNumber, Pass0f int
	Detail             []string // thread, class, lubrication …
	Done, All          int
	Finished           bool
}

type stepLine struct {
	ID, Title, Count string
	Number           int
	Icon             icon
	Current, Shown   bool
	Word             string
	Pass             string // with a space before it
}

// icon is a bolt drawn beside words.
type icon struct {
	Look       rules.Look
	Grade      events.Grade
	Next, Part bool
	Accepted   bool
	Maybe      bool
}

type alertView struct {
	ID, Kind, Name, Tone string
	State                string // "raised", "seen"
	Icon                 *icon  // nil: the caution sign
	Text, Todo, Likely   string
	Finding              bool // a lead may decide on the answer it is about
	Stays                bool // only work or a decision settles it
	Where                string
	SeenBy               string
	At                   string
	Blocks               bool
	Bench, Job, Step     string
	Fasteners            []string
	Reading              uint64
}

type unplacedView struct {
	Reading              uint64
	Value, Tool, Why, At string
}

type jobHead struct {
	ID, UnitSerial, Unit, Customer string
	Procedure, Revision, Title     string
	Technician, TechnicianID       string
	Bench, Status, OpenedAt        string
	Notes, Cautions                []string
	Done, All                      int // steps
}

type personView struct {
	ID, Name, Role string
	Current        bool
}

// benchView is all that a bench page shows of the state.
type benchView struct {
	Cause    uint64 // the decision up to which this is true
	Bench    events.Bench
	Job      *jobHead
	Step     *stepView
	Guide    *guideView // of a guided measurement
	Face     *faceView
	Last     *lastView
	Next     nextView
	Steps    []stepLine
	Alerts   []alertView
	Unplaced []unplacedView
	// MoreUnplaced names those after the first, which are asked about one by one:
	// together they would push the work off the screen.
	MoreUnplaced string
	FiguresIn    string    // symbol of the unit of the figures at the fasteners
	Paused       []jobHead // jobs that can go on here
	Held         []string  // fasteners or values that wait for a lead
	People       []personView
	benchParts
	Shims    *shimView // of a shim step that chooses its stack
	Marks    []mark
	Question *questionView
	Aside    []asideView       // of the shown step, latest first
	Audits   []auditView       // of the shown step, latest first
	Care     *careView         // the calibration or check that is open here
	Refused  []refusedToolView // tools that may not be used for what is next
	Loose    []looseView       // open loose ends of the job
	Items    []itemView        // what the shown step asks
	Ahead    []string          // what the shown step would bury, or get ahead of
	Holds    []holdView        // steps that wait at their hold points
	Note     string            // of the last pause or hand-over
	InDoubt  []rules.InDoubt   // recalls with lines that wait on the unit
	Finished bool              // some fastener is finished: it can be audited
	Closing  bool              // a fastener has been pulled in a closing round
	pass     int
}

// viewer reads the state for one page: under the state's lock, with one now.
type viewer struct {
	st  *rules.State
	now time.Time
}

func (v viewer) personName(id string) string {
	for _, p := range v.st.Shop.People {
		if p.ID == id {
			return p.Name
		}
	}
	return id
}

func (v viewer) people(current string) []personView {
	var out []personView
	for _, p := range v.st.Shop.People {
		out = append(out, personView{p.ID, p.Name, string(p.Role), p.ID == current})
	}
	return out
}

func (v viewer) benchName(id string) string {
	for _, b := range v.st.Shop.Benches {
		if b.ID == id && b.Name != "" {
			return b.Name
		}
	}
	return id
}

func (v viewer) toolName(id string) string {
	for _, t := range v.st.Shop.Tools {
		if t.ID == id && t.Name != "" {
			return t.Name
		}
	}
	return id
}

func (v viewer) knownBench(id string) (events.Bench, bool) {
	for _, b := range v.st.Shop.Benches {
		if b.ID == id {
			return b, true
		}
	}
	return events.Bench{}, false
}

// bench builds the view of a bench; shown is the id of the step to show, ""
// for the one that is being worked on.
func (v viewer) bench(b events.Bench, shown string) *benchView {
	bv := &benchView{Cause: v.st.Cause, Bench: b}
	job := v.st.Jobs[v.st.BenchJob[b.ID]]
	bv.Unplaced = v.unplaced(b.ID)
	bv.MoreUnplaced = moreUnplaced(bv.Unplaced)
	bv.Care = v.care(b.ID)
	bv.Alerts = v.alerts(func(a *rules.Alert) bool {
		return a.Bench == b.ID || job != nil && a.Job == job.ID
	})
	if job == nil {
		bv.Next = nextView{Kind: "idle", Where: "No job at this bench", How: "Open one, or go on with a paused one."}
		bv.Paused = v.paused()
		bv.Last = v.last(nil, b.ID)
		return bv
	}
	head := v.jobHead(job)
	bv.Job = &head
	bv.InDoubt = v.st.UnitInDoubt(job.UnitSerial)
	v.work(bv, job, shown)
	bv.Refused = v.refusedTools(job)
	bv.Last = v.last(job, b.ID)
	return bv
}

// current returns the step that is being worked on, with pass and fastener
// where it is a torque step; -1, 0, -1 when every step is done.
func (v viewer) current(job *rules.Job) (step, pass, fastener int) {
	if s, p, f, ok := v.st.NextFastener(job); ok && s >= 0 && s < len(job.Steps) {
		return s, p, f
	}
	for i, s := range job.Steps {
		if !s.Done {
			return i, s.Pass, -1
		}
	}
	return -1, 0, -1
}

func (v viewer) work(bv *benchView, job *rules.Job, shown string) {
	cur, pass, fastener := v.current(job)
	show := cur
	if _, i := job.Proc.Step(shown); i >= 0 {
		show = i
	}
	if show < 0 {
		show = len(job.Steps) - 1
	}
	bv.Steps = v.stepLines(job, cur, show)
	bv.Question = v.question(job)
	bv.Finished = len(v.finished(job)) > 0
	bv.Next, bv.Held = v.next(job, cur, pass, fastener)
	bv.Closing = len(v.closed(job)) > 0 && (bv.Next.Kind == "closing" || v.lastClosed(job))
	v.attested(bv, job, show)
	if show < 0 {
		return
	}
	step := &job.Proc.Steps[show]
	next := -1
	if show == cur {
		next = fastener
	}
	bv.Marks = v.marks(job, show, next)
	for i := range bv.Marks {
		bv.Marks[i].Say = bv.Marks[i].sentence()
	}
	bv.Step = v.step(job, show, pass, show == cur)
	bv.Guide = v.guide(job, show, show == cur)
	bv.Aside, bv.Audits = v.asides(job, step.ID), v.audits(job, step.ID)
	bv.Shims = v.shims(job, show, show == cur)
	bv.Kit, bv.Press, bv.Photos = v.kit(job, show), v.press(job, show, show == cur), v.photos(job, step.ID)
	bv.PhotoForm = partForm{Bench: bv.Bench.ID, Job: job.ID, Step: step.ID}
	bv.pass = pass
	bv.Face = drawFace(job.Proc.Face(step.Face), step.Joint, bv.Marks)
	if step.Joint != nil && bv.Face != nil {
		bv.FiguresIn = v.passUnit(step.Joint, max(0, min(pass, len(step.Joint.Passes)-1)), step.Joint.Passes[0].Target).Symbol()
	}
}

func (v viewer) marks(job *rules.Job, step, next int) []mark {
	spec := &job.Proc.Steps[step]
	if spec.Joint == nil {
		return nil
	}
	out := make([]mark, len(spec.Joint.Fasteners))
	for i := range out {
		out[i] = v.mark(job, step, i, i == next)
	}
	return out
}

func (v viewer) mark(job *rules.Job, step, i int, next bool) mark {
	joint := job.Proc.Steps[step].Joint
	m := mark{ID: joint.Fasteners[i].ID, Look: v.st.Look(job, step, i), Next: next}
	m.Word = shortWord(m.Look)
	if fs := job.Steps[step].Fasteners; i < len(fs) {
		f := fs[i]
		m.Accepted = f.Accepted
		last := -1
		for p := range f.Marks {
			if k := &f.Marks[p]; k.Reading != 0 {
				last = p
				m.Part = m.Part || k.Verdict != events.Low && m.Look != rules.LookWitnessed
			}
		}
		if last >= 0 {
			k := &f.Marks[last]
			m.Figure = figure(k.Judged.Value, v.passUnit(joint, last, k.Judged.Value))
			m.Grade = k.Grade
			m.Evidence = evidenceWords(k.Grade, f.P)
		}
	}
	if m.Look == rules.LookLow || m.Look == rules.LookHigh || m.Look == rules.LookDisturbed || m.Look == rules.LookDoubtful {
		m.Part = false // the mark itself says more
	}
	v.markMaybe(job, step, &m)
	if m.Look == rules.LookMissed && m.Figure != "" {
		m.Figure = ""
	}
	return m
}

// markMaybe draws a fastener that may be the one that was left out: what is
// known of it, and a head lifted off in dashes.
func (v viewer) markMaybe(job *rules.Job, step int, m *mark) {
	p := v.maybe(job, job.Proc.Steps[step].ID, m.ID)
	if p == 0 {
		return
	}
	m.Maybe, m.Word = true, percent(p)+" ?"
	if m.Look == rules.LookMissed {
		m.Look = rules.LookWaiting
		if m.Part {
			m.Look = rules.LookPart
		}
	}
}

func (m mark) sentence() string {
	s := "Fastener " + m.ID + ": " + lookWords[m.Look]
	if m.Next && m.Look != rules.LookNext {
		s += ", next"
	}
	if m.Accepted {
		s += ", accepted by a lead"
	}
	if m.Figure != "" {
		s += ", " + m.Figure
	}
	if m.Evidence != "" && m.Look == rules.LookWitnessed {
		s += ", evidence " + m.Evidence
	}
	if m.Maybe {
		s += ", maybe left out, " + strings.TrimSuffix(m.Word, " ?")
	}
	return s
}

func (v viewer) passUnit(j *procedure.Joint, pass int, val quantity.Value) quantity.Unit {
	var stated quantity.Unit
	if pass >= 0 && pass < len(j.Passes) {
		stated = j.Passes[pass].Unit
	}
	return unitFor(v.st.Shop, val, stated)
}

// measureUnit is the unit that a measure step is shown in, whichever of target
// and limits it has.
func (v viewer) measureUnit(m *procedure.MeasureSpec) quantity.Unit {
	val := m.Target
	for _, x := range []quantity.Value{m.USL, m.LSL} {
		if val.IsZero() {
			val = x
		}
	}
	return unitFor(v.st.Shop, val, m.Unit)
}

func (v viewer) step(job *rules.Job, i, pass int, current bool) *stepView {
	spec, st := &job.Proc.Steps[i], job.Steps[i]
	s := &stepView{
		ID: spec.ID, Title: spec.Title, Kind: stepKinds[spec.Kind], Number: i + 1, Of: len(job.Steps),
		Text: spec.Text, Cautions: spec.Cautions, Statement: spec.Statement,
		Finished: st.Done || st.Accepted,
	}
	s.Confirm = spec.Joint == nil && spec.Measure == nil && !s.Finished && !st.AtHold() && confirmable(job, i)
	if j := spec.Joint; j != nil {
		if !current {
			pass = st.Pass
		}
		s.Detail = jointDetail(j)
		s.Done, s.All = progress(spec, st)
		s.Pass0f = len(j.Passes)
		if pass >= 0 && pass < len(j.Passes) && !s.Finished {
			s.Pass, s.PassNumber = j.Passes[pass].Name, pass+1
		}
	}
	return s
}

func jointDetail(j *procedure.Joint) []string {
	var d []string
	for _, p := range [][2]string{{"Thread ", j.Thread}, {"strength class ", j.Strength}, {"", j.Lubrication}} {
		if p[1] != "" {
			d = append(d, p[0]+p[1])
		}
	}
	if j.Class != "" {
		d = append(d, map[procedure.Class]string{
			procedure.ClassA: "class A: life and limb",
			procedure.ClassB: "class B: breakdown",
			procedure.ClassC: "class C: other",
		}[j.Class])
	}
	return d
}

// progress counts the fasteners that are done in the pass that is on, or, of
// a step without fasteners, the step itself.
func progress(spec *procedure.Step, st rules.StepState) (done, all int) {
	if spec.Joint == nil {
		if st.Done || st.Accepted {
			return 1, 1
		}
		return 0, 1
	}
	n := len(spec.Joint.Passes)
	pass := min(st.Pass, n-1)
	if pass < 0 {
		return 0, len(spec.Joint.Fasteners)
	}
	for _, i := range spec.Joint.Passes[pass].Order {
		all++
		if i >= len(st.Fasteners) {
			continue
		}
		f := st.Fasteners[i]
		counts := pass < len(f.Marks) && f.Marks[pass].Reading != 0 && f.Marks[pass].Verdict != events.Low
		if f.Accepted || counts && !f.Held && !f.Redo || st.Done {
			done++
		}
	}
	return done, all
}

func (v viewer) stepLines(job *rules.Job, cur, show int) []stepLine {
	out := make([]stepLine, len(job.Steps))
	for i := range job.Steps {
		spec, st := &job.Proc.Steps[i], job.Steps[i]
		done, all := progress(spec, st)
		l := stepLine{ID: spec.ID, Title: spec.Title, Number: i + 1, Current: i == cur, Shown: i == show}
		l.Icon, l.Word = v.stepIcon(job, i, i == cur, done)
		if spec.Joint != nil && l.Word != "done" {
			l.Count = fmt.Sprintf("%d of %d", done, all)
			if n := len(spec.Joint.Passes); n > 1 && st.Pass < n {
				l.Pass = " " + spec.Joint.Passes[st.Pass].Name
			}
		}
		out[i] = l
	}
	return out
}

func (v viewer) stepIcon(job *rules.Job, i int, current bool, done int) (icon, string) {
	st := job.Steps[i]
	for _, a := range v.st.Alerts {
		if a.Job == job.ID && a.Step == job.Proc.Steps[i].ID && a.Kind == events.AlertMissed {
			return icon{Look: rules.LookMissed}, "missed fastener"
		}
	}
	for f := range st.Fasteners {
		if st.Fasteners[f].Held {
			return icon{Look: rules.LookHigh}, "held"
		}
	}
	switch {
	case st.Accepted:
		return icon{Look: rules.LookWitnessed, Grade: events.Reasoned, Accepted: true}, "accepted"
	case st.Done:
		return icon{Look: rules.LookWitnessed, Grade: events.Reasoned}, "done"
	case st.AtHold():
		return icon{Look: rules.LookPart, Next: true}, "waits"
	case current:
		return icon{Look: rules.LookNext, Next: true, Part: done > 0 || st.Pass > 0}, "now"
	case done > 0 || st.Pass > 0:
		return icon{Look: rules.LookPart}, "begun"
	}
	return icon{Look: rules.LookWaiting}, ""
}

func (v viewer) next(job *rules.Job, cur, pass, fastener int) (nextView, []string) {
	held := v.held(job)
	if job.Audit != nil {
		return v.auditNext(job), held
	}
	if cur < 0 {
		return nextView{Kind: "none", Where: "All steps are done", How: "Ask for the release."}, held
	}
	spec := &job.Proc.Steps[cur]
	if n, ok := v.attestedNext(job, cur); ok && (fastener < 0 || job.PointedStep == "") {
		return n, held
	}
	if n, ok := v.shimNext(job, cur); ok {
		return n, held
	}
	switch {
	case spec.Joint != nil && fastener >= 0 && pass < len(spec.Joint.Passes):
		f, p := spec.Joint.Fasteners[fastener], spec.Joint.Passes[pass]
		u := v.passUnit(spec.Joint, pass, p.Target)
		where := "Fastener " + f.ID
		if at := strings.Trim(f.Note+", "+clock(spec.Joint.Fasteners, fastener), ", "); at != "" {
			where += ", " + at
		}
		how := withUnit(p.Target, u)
		if lim := limitWords(p.LSL, p.USL, u); lim != "" {
			how += " (limits " + lim + ")"
		}
		if len(spec.Joint.Passes) > 1 {
			how = p.Name + " pass, " + how
		}
		if job.PointedStep == spec.ID && job.Pointed == f.ID {
			how += ". You pointed at it."
		}
		if p.Closing {
			return nextView{"closing", where, how, closingWords(withUnit(p.Target, u))}, held
		}
		return nextView{Kind: "torque", Where: where, How: how}, held
	case spec.Joint != nil:
		return nextView{Kind: "held", Where: "A lead must decide", How: "Held: " + strings.Join(held, ", ")}, held
	case spec.Measure != nil:
		m := spec.Measure
		u := v.measureUnit(m)
		return nextView{Kind: "measure", Where: "Measure " + m.What, How: limitWords(m.LSL, m.USL, u)}, held
	}
	if n, ok := v.nextParts(job, cur); ok {
		return n, held
	}
	return nextView{Kind: "confirm", Where: spec.Title, How: "Confirm when it is done."}, held
}

// held lists what waits for a lead's decision, in procedure order.
func (v viewer) held(job *rules.Job) []string {
	var out []string
	for i, st := range job.Steps {
		for f := range st.Fasteners {
			if st.Fasteners[f].Held {
				out = append(out, fmt.Sprintf("fastener %s of step %d", job.Proc.Steps[i].Joint.Fasteners[f].ID, i+1))
			}
		}
	}
	for i := range job.Steps {
		if shimsDiffer(job, i) {
			out = append(out, fmt.Sprintf("the measured value of step %d, if it stays so", i+1))
		}
	}
	return append(out, heldPlaces(job)...)
}

// last finds the last reading of a bench: the latest that counts in its job,
// or one that belongs nowhere.
func (v viewer) last(job *rules.Job, bench string) *lastView {
	var best *rules.Mark
	step := 0
	if job != nil {
		for i := range job.Steps {
			st := &job.Steps[i]
			for f := range st.Fasteners {
				for p := range st.Fasteners[f].Marks {
					if m := &st.Fasteners[f].Marks[p]; m.Reading > 0 && (best == nil || m.Reading > best.Reading) {
						best, step = m, i
					}
				}
			}
			for k := range st.Presses {
				if m := &st.Presses[k].Mark; m.Reading > 0 && (best == nil || m.Reading > best.Reading) {
					best, step = m, i
				}
			}
			if m := st.Value; m != nil && m.Reading > 0 && (best == nil || m.Reading > best.Reading) {
				best, step = m, i
			}
		}
	}
	var loose *events.ReadingUnplaced
	for _, u := range v.st.Unplaced {
		if u.Bench == bench && (best == nil || u.Reading > best.Reading) && (loose == nil || u.Reading > loose.Reading) {
			loose = &u
		}
	}
	if loose != nil {
		return v.lastUnplaced(*loose)
	}
	if best == nil {
		return nil
	}
	return v.lastJudged(job.Proc, step, *best.Judged)
}

func (v viewer) lastUnplaced(u events.ReadingUnplaced) *lastView {
	unit := unitFor(v.st.Shop, u.Value, quantity.Unit{})
	l := &lastView{
		Reading: u.Reading, Verdict: "unplaced", Text: u.Text, Value: figure(u.Value, unit), Unit: unit.Symbol(),
		Word: "Belongs to nothing that is open", Where: u.Why,
		By: v.toolName(u.Tool) + ", " + clockTime(u.AtUs, v.now),
	}
	l.Sent = sentWords(u.Text, u.Unit, unit)
	if a := v.isAside(u); a != nil {
		l.Verdict, l.Word = "aside", asideWords(a)
	}
	return l
}

func (v viewer) lastJudged(proc *procedure.Procedure, step int, j events.ReadingJudged) *lastView {
	spec := &proc.Steps[step]
	l := &lastView{Reading: j.Reading, Verdict: string(j.Verdict), Text: j.Text, Where: spec.Title, Word: verdictWords(j.Verdict)}
	var unit quantity.Unit
	switch {
	case spec.Joint != nil:
		unit = v.passUnit(spec.Joint, j.Pass, j.Value)
		l.Where = spec.Title + ": fastener " + j.Fastener // it need not be the step that is shown
		if j.Pass < len(spec.Joint.Passes) && len(spec.Joint.Passes) > 1 {
			l.Where += ", " + spec.Joint.Passes[j.Pass].Name + " pass"
		}
	case spec.Measure != nil:
		unit = unitFor(v.st.Shop, j.Value, spec.Measure.Unit)
		l.Where, l.Word = spec.Measure.What, measureVerdictWords(j.Verdict)
	case spec.Press != nil:
		unit = unitFor(v.st.Shop, j.Value, spec.Press.Unit)
		l.Where, l.Word = pressWords(spec, &j)
	default:
		unit = unitFor(v.st.Shop, j.Value, quantity.Unit{})
	}
	l.Value, l.Unit = figure(j.Value, unit), unit.Symbol()
	if own, ok := quantity.UnitByCode(j.Unit); ok && own == unit {
		l.Value = minus(j.Text) // the tool's own digits: no false ones
	}
	l.Limits = limitWords(j.LSL, j.USL, unit)
	if t := withUnit(j.Target, unit); t != "" && l.Limits != "" {
		l.Limits += ", target " + t
	}
	l.Sent = sentWords(j.Text, j.Unit, unit)
	l.By = v.toolName(j.Tool) + ", " + clockTime(j.AtUs, v.now)
	if spec.Joint != nil && j.Verdict != events.Low {
		l.Evidence = v.evidence(j)
	}
	if j.Typed {
		l.By = "typed by " + v.personName(j.By) + ", " + l.By
		l.Sent = strings.Replace(l.Sent, toolShows, "Typed as ", 1)
	}
	l.gauge = gauge(j, unit)
	l.Pin = l.gauge.PinX
	return l
}

const toolShows = "The tool shows "

func sentWords(text, unitCode string, shown quantity.Unit) string {
	if own, ok := quantity.UnitByCode(unitCode); !ok || own == shown {
		return ""
	}
	return toolShows + asSent(text, unitCode)
}

// gauge puts a figure on a line of 1000 units: the limits at 250 and 750, or
// one limit at its end and the line's other end at zero.
func gauge(j events.ReadingJudged, u quantity.Unit) gaugeView {
	lo, hi, x := j.LSL.In(u), j.USL.In(u), j.Value.In(u)
	if !(lo < hi) || !j.Value.Finite() {
		return gaugeView{}
	}
	at := func(v float64) float64 { return min(max(250+500*(v-lo)/(hi-lo), 20), 980) }
	g := gaugeView{OK: true, LoX: "250", HiX: "750", BandW: "500", PinX: num(at(x)), Lo: figure(j.LSL, u), Hi: figure(j.USL, u)}
	if !j.Target.IsZero() {
		g.WantX = num(at(j.Target.In(u)))
	}
	return g
}

// alerts lists open alerts, those that nobody has seen first, newest first.
func (v viewer) alerts(want func(*rules.Alert) bool) []alertView {
	var as []*rules.Alert
	for _, a := range v.st.Alerts {
		if want(a) {
			as = append(as, a)
		}
	}
	slices.SortFunc(as, func(a, b *rules.Alert) int {
		if s := strings.Compare(a.AckBy, b.AckBy); (a.AckBy == "") != (b.AckBy == "") {
			return s
		}
		if a.AtUs != b.AtUs {
			if a.AtUs > b.AtUs {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Alert, b.Alert)
	})
	out := make([]alertView, len(as))
	for i, a := range as {
		out[i] = v.alert(a)
	}
	return out
}

func (v viewer) alert(a *rules.Alert) alertView {
	k := alertKind(a.Kind)
	av := alertView{
		ID: a.Alert, Kind: string(a.Kind), Name: k.name, Tone: k.tone, State: "raised",
		Text: a.Text, Todo: a.Todo, Where: v.alertWhere(a.Bench, a.Job), At: clockTime(a.AtUs, v.now), Blocks: a.Blocks,
		Bench: a.Bench, Job: a.Job, Step: a.Step, Fasteners: a.Fasteners, Reading: a.Reading,
	}
	if len(a.Likely) > 1 && !strings.Contains(a.Text, "probably ") {
		av.Likely = sentence(likelyWords(a.Likely))
	}
	av.Finding, av.Stays = isFinding(a.Kind) && a.Blocks, settles(a.Kind)
	if k.look != "" {
		av.Icon = &icon{Look: k.look}
	}
	if a.AckBy != "" {
		av.State, av.SeenBy = "seen", v.personName(a.AckBy)+", "+clockTime(a.AckAt, v.now)
	}
	return av
}

func (v viewer) alertWhere(bench, job string) string {
	var w []string
	if bench != "" {
		w = append(w, v.benchName(bench))
	}
	if job != "" {
		w = append(w, "job "+job)
	}
	return strings.Join(w, ", ")
}

func (v viewer) unplaced(bench string) []unplacedView {
	var us []events.ReadingUnplaced
	for _, u := range v.st.Unplaced {
		if (bench == "" || u.Bench == bench) && v.isAside(u) == nil {
			us = append(us, u)
		}
	}
	slices.SortFunc(us, func(a, b events.ReadingUnplaced) int { return int(b.Reading) - int(a.Reading) })
	out := make([]unplacedView, len(us))
	for i, u := range us {
		out[i] = unplacedView{u.Reading, asSent(u.Text, u.Unit), v.toolName(u.Tool), u.Why, clockTime(u.AtUs, v.now)}
	}
	return out
}

// moreUnplaced names the readings after the first, a few of them by their value.
func moreUnplaced(us []unplacedView) string {
	if len(us) < 2 {
		return ""
	}
	const named = 3
	var out []string
	for _, u := range us[1:min(len(us), named+1)] {
		out = append(out, u.Value+" ("+u.At+")")
	}
	if n := len(us) - 1 - named; n > 0 {
		out = append(out, fmt.Sprintf("%d more", n))
	}
	return strings.Join(out, ", ")
}

func (v viewer) jobHead(j *rules.Job) jobHead {
	h := jobHead{
		ID: j.ID, UnitSerial: j.UnitSerial, Customer: j.Customer, Technician: v.personName(j.Technician), TechnicianID: j.Technician,
		Bench: j.Bench, Status: string(j.Status), OpenedAt: clockTime(j.OpenedAt, v.now), Notes: j.Notes, All: len(j.Steps),
	}
	if p := j.Proc; p != nil {
		h.Unit, h.Procedure, h.Revision, h.Title, h.Cautions = p.Unit, p.ID, p.Revision, p.Title, p.Cautions
	}
	for _, s := range j.Steps {
		if s.Done || s.Accepted {
			h.Done++
		}
	}
	return h
}

// paused lists the paused jobs, oldest id first.
func (v viewer) paused() []jobHead {
	var out []jobHead
	for _, j := range v.st.Jobs {
		if j.Status == rules.JobPaused {
			out = append(out, v.jobHead(j))
		}
	}
	slices.SortFunc(out, func(a, b jobHead) int { return strings.Compare(a.ID, b.ID) })
	return out
}
