package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// judgeID is the shop, the bench and the person of a judged stream.
const judgeID = "judge"

// streamOptions says how a stream is judged.
type streamOptions struct {
	// State is what the rules know before, e.g. of joints seen in earlier
	// streams; nil: nothing. It goes on with the stream: use Clone to keep it.
	State *rules.State
	// StrictSteps keeps the steps that the stream cannot speak of.
	StrictSteps bool
}

// runStream judges a stream by the real rules. The error is about the
// procedure, the first record, or reading; all else is in the judgement. The
// job that it opens has left the state when it returns.
func runStream(ctx context.Context, proc *procText, r io.Reader, opt streamOptions) (*judgement, error) {
	s, err := loadStream(ctx, r)
	if err != nil {
		return nil, err
	}
	return judgeStream(ctx, proc, s, opt)
}

// judgeStream judges a stream that has been read.
func judgeStream(ctx context.Context, proc *procText, s *stream, opt streamOptions) (*judgement, error) {
	j := &judging{stream: s, whole: proc, state: opt.State, alerts: map[string]int{}}
	if j.state == nil {
		j.state = rules.New()
	}
	var left []string
	if !opt.StrictSteps {
		left = s.silentSteps(proc.proc)
	}
	var err error
	if j.proc, err = proc.leave(left); err != nil {
		return nil, err
	}
	j.begin(left)
	if err := j.open(); err != nil {
		return nil, err
	}
	for i := range s.records {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		j.record(&s.records[i])
	}
	j.finish()
	return j.out, nil
}

// silentSteps returns the steps of which the stream does not speak: those done
// by a word that it does not confirm, and those measured with a kind of tool
// that it does not name.
func (s *stream) silentSteps(p *procedure.Procedure) []string {
	var ids []string
	for i := range p.Steps {
		st := &p.Steps[i]
		switch {
		case st.Joint != nil:
		case slices.ContainsFunc(s.records, func(r streamRecord) bool { return r.kind == recordConfirm && r.step == st.ID }):
		case st.Measure != nil && s.measures(st.Measure):
		default:
			ids = append(ids, st.ID)
		}
	}
	return ids
}

// measures reports whether one of the stream's tools is there to measure. A
// wrench is there to tighten.
func (s *stream) measures(m *procedure.MeasureSpec) bool {
	return slices.ContainsFunc(s.head.tools, func(t streamTool) bool {
		switch {
		case t.Kind == events.ToolTorqueWrench, len(m.Tools) > 0 && !slices.Contains(m.Tools, t.ID),
			len(m.ToolKinds) > 0 && !slices.Contains(m.ToolKinds, string(t.Kind)):
			return false
		}
		return t.unit.Dimension() == m.Unit.Dimension()
	})
}

// judging is one stream on its way through the rules.
type judging struct {
	stream *stream
	whole  *procText // as given
	proc   *procText // as judged
	state  *rules.State
	job    *rules.Job // as it last stood; stays when the job has left the state
	out    *judgement

	at       events.Instant
	counters []counterMemory // by tool, as in the stream's head
	pullOf   []pullSeq       // ascending
	alerts   map[string]int  // index in out.Alerts
	weighed  []events.WitnessWeighed
	lost     map[string]int // cycles lost, by step

	trigger string // what is being decided: a trigger constant
	pull    int    // its number, or that of the last reading
	line    int
}

type pullSeq struct {
	seq  uint64
	pull int
}

func (j *judging) startUs() events.Instant { return events.InstantOf(j.stream.head.start) }

// begin prepares the judgement.
func (j *judging) begin(left []string) {
	h := &j.stream.head
	p := j.whole.proc
	j.at = j.startUs()
	j.counters = make([]counterMemory, len(h.tools))
	j.lost = map[string]int{}
	j.out = newJudgement()
	j.out.Procedure = judgedProcedure{ID: p.ID, Revision: p.Revision, Title: p.Title, LeftOut: append([]string{}, left...)}
	j.out.Job = judgedJob{ID: h.job, UnitSerial: h.unitSerial, Start: h.start}
	for i := range h.tools {
		j.out.Tools = append(j.out.Tools, judgedToolOf(&h.tools[i]))
	}
	j.out.Pulls = make([]judgedPull, 0, j.stream.pulls)
	j.pullOf = make([]pullSeq, 0, j.stream.pulls)
	j.out.Problems = append(j.out.Problems, j.stream.problems...)
	j.out.Warnings = append(j.out.Warnings, j.stream.warnings...)
}

// open adopts the shop, releases the procedure and opens the job.
func (j *judging) open() error {
	j.trigger = triggerStart
	shop := j.shop()
	text, err := json.Marshal(shop)
	if err != nil {
		return fmt.Errorf("describe the shop: %w", err)
	}
	ask := j.ask()
	if err := j.must(events.ShopDescribed{Ask: ask, Shop: shop, Hash: sha256Hex(text)}); err != nil {
		return err
	}
	p := j.proc.proc
	if j.state.ProcTexts[rules.ProcKey(p.ID, p.Revision)] != string(j.proc.text) {
		if err := j.must(events.ProcedureOffered{Ask: ask, Text: string(j.proc.text), Hash: sha256Hex(j.proc.text)}); err != nil {
			return err
		}
	}
	h := &j.stream.head
	return j.must(events.JobAsked{Ask: ask, Job: h.job, UnitSerial: h.unitSerial, Procedure: p.ID, Revision: p.Revision})
}

func sha256Hex(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// must feeds what has to be granted before anything can be judged.
func (j *judging) must(d events.Data) error {
	for _, o := range j.feed(events.SourceDesk, d) {
		if r, refused := o.Data.(events.RequestRefused); refused {
			err := fmt.Errorf("the stream cannot be judged: %s. %s", r.Text, r.Todo)
			for _, item := range r.Items {
				err = fmt.Errorf("%w\n  %s", err, item)
			}
			return err
		}
	}
	return nil
}

func (j *judging) ask() events.Ask {
	return events.Ask{By: judgeID, Bench: judgeID, AtUs: j.at}
}

// shop is one bench with the stream's tools, each on a device of its own.
func (j *judging) shop() events.Shop {
	s := events.Shop{
		ID: judgeID, Name: "A judged stream",
		Benches: []events.Bench{{ID: judgeID, Name: "The stream's bench"}},
		People:  []events.Person{{ID: judgeID, Name: "The stream's person", Role: events.RoleLead}},
	}
	for i := range j.stream.head.tools {
		t := &j.stream.head.tools[i]
		s.Tools = append(s.Tools, t.Tool)
		s.Tools[i].Interval.Cycles = -1 // of its calibrations the stream says nothing but the dates
		s.Devices = append(s.Devices, events.Device{ID: deviceOf(i), Tool: t.ID, Bench: judgeID})
	}
	return s
}

func deviceOf(tool int) string { return "d" + strconv.Itoa(tool+1) }

// feed decides on one fact and folds the decision.
func (j *judging) feed(source string, d events.Data) []events.Outcome {
	e := events.Entry{Seq: j.state.Cause + 1, Event: events.Event{Source: source, Number: j.state.Cause + 1, Time: j.at, Data: d}}
	outs := rules.Decide(j.state, e)
	rules.Evolve(j.state, events.Decided{Cause: e.Seq, CauseUs: e.Time, Rules: rules.Version, Outcomes: outs})
	if job := j.state.Jobs[j.stream.head.job]; job != nil {
		j.job = job
	}
	for i := range outs {
		j.note(outs[i].Data)
	}
	return outs
}

// record judges one record, and first what the rules wanted to be asked
// between the one before and this.
func (j *judging) record(r *streamRecord) {
	at := j.startUs() + events.Instant(r.atUs)
	j.wait(at)
	j.at, j.line = at, r.line
	switch r.kind {
	case recordReading:
		j.reading(r)
	case recordBroken:
		j.pull = r.pull
		j.out.Pulls = append(j.out.Pulls, judgedPull{Pull: r.pull, Line: r.line, Became: becameUnread, Explanations: []judgedExplanation{}})
	case recordPlace:
		j.trigger = triggerPlace
		j.asked(events.FastenerPointed{Ask: j.ask(), Job: j.stream.head.job, Step: r.step, Fastener: r.what}, "place")
	case recordConfirm:
		j.trigger = triggerConfirm
		j.asked(events.StepConfirmAsked{Ask: j.ask(), Job: j.stream.head.job, Step: r.step, Answer: r.what}, "confirm")
	case recordRelease:
		j.release()
	}
}

// wait lets the instants pass for which the rules wait.
func (j *judging) wait(until events.Instant) {
	for {
		due := j.state.NextDeadline()
		if due == 0 || due > until {
			return
		}
		j.at, j.trigger = max(j.at, due), triggerTime
		j.feed(events.SourceClock, events.TimeReached{AtUs: due})
		if next := j.state.NextDeadline(); next != 0 && next <= due {
			return // a paused job's: nothing is asked
		}
	}
}

// asked feeds what a person asked for and notes a refusal: open work is what
// the rules have to say; else the record is wrong.
func (j *judging) asked(d events.Data, field string) {
	for _, o := range j.feed(events.SourceDesk, d) {
		r, refused := o.Data.(events.RequestRefused)
		if !refused {
			continue
		}
		j.out.Refusals = append(j.out.Refusals, judgedRefusal{Line: j.line, After: j.pull, Asked: field, Text: r.Text, Todo: r.Todo, Open: append([]string{}, j.numbered(r.Items)...)})
		if r.Code != "open_work" && r.Code != "needs_readings" && r.Code != "already_done" && r.Code != "held" && r.Code != "covered" {
			j.out.Problems = append(j.out.Problems, lineNote{Line: j.line, Field: field, Text: r.Text, Todo: r.Todo, Count: 1})
		}
	}
}

// release asks for release; the last answer stands.
func (j *judging) release() {
	j.trigger = triggerRelease
	rel := &j.out.Release
	rel.Asked, rel.Granted, rel.Text, rel.Open = true, false, "", []string{}
	for _, o := range j.feed(events.SourceDesk, events.ReleaseAsked{Ask: j.ask(), Job: j.stream.head.job}) {
		switch o := o.Data.(type) {
		case events.JobReleased:
			rel.Granted = true
		case events.RequestRefused:
			rel.Text, rel.Open = o.Text+". "+o.Todo, append(rel.Open, j.numbered(o.Items)...)
		}
	}
}

// reading judges a reading, and before it what the tool's counter tells.
func (j *judging) reading(r *streamRecord) {
	j.trigger, j.pull = triggerPull, r.pull
	e := r.reading
	j.out.Pulls = append(j.out.Pulls, judgedPull{
		Pull: r.pull, Line: r.line, Tool: e.Tool, Seq: r.seq, At: seconds(r.takenUs), Value: e.Text, Unit: e.Unit,
		TorqueNm: baseOf(e.Value), Explanations: []judgedExplanation{},
	})
	source := events.DeviceSource("d0")
	e.Bench, e.ReceivedAtUs, e.TakenAtUs = judgeID, j.at, j.startUs()+events.Instant(r.takenUs)
	if k := j.toolIndex(e.Tool); k >= 0 {
		e.Device, e.ToolCounter = deviceOf(k), r.seq
		source = events.DeviceSource(e.Device)
		if r.seq != nil && j.counted(source, &j.counters[k], &e) {
			return
		}
	}
	seq := j.state.Cause + 1
	j.pullOf = append(j.pullOf, pullSeq{seq, r.pull})
	j.feed(source, e)
	if e.ToolCounter != nil {
		j.counters[j.toolIndex(e.Tool)].add(&e, seq)
	}
	if p := &j.out.Pulls[r.pull-1]; p.Became == "" {
		p.Became = becameOther
	}
}

// counted tells the rules what a tool's counter says. It reports whether the
// reading is one that came before, sent once more.
func (j *judging) counted(source string, m *counterMemory, e *events.ReadingTaken) (again bool) {
	if of, again := m.repeats(e); again {
		j.pullOf = append(j.pullOf, pullSeq{j.state.Cause + 1, j.pull})
		p := &j.out.Pulls[len(j.out.Pulls)-1]
		p.Became, p.Of = becameResent, j.pullNumber(of)
		j.feed(source, events.FrameRepeated{Device: e.Device, Of: of, ToolCounter: *e.ToolCounter, ReceivedAtUs: j.at})
		return true
	}
	if found, restart := m.gap(*e.ToolCounter); found {
		j.feed(source, events.CounterGapFound{
			Device: e.Device, Tool: e.Tool, Bench: judgeID, After: m.last, Next: *e.ToolCounter, Restart: restart, ReceivedAtUs: j.at,
		})
	}
	return false
}

func (j *judging) toolIndex(id string) int {
	return slices.IndexFunc(j.stream.head.tools, func(t streamTool) bool { return t.ID == id })
}

// pullNumber returns the number of the reading that has a journal sequence, 0
// if none has.
func (j *judging) pullNumber(seq uint64) int {
	i, there := slices.BinarySearchFunc(j.pullOf, seq, func(p pullSeq, seq uint64) int {
		switch {
		case p.seq < seq:
			return -1
		case p.seq > seq:
			return 1
		}
		return 0
	})
	if !there {
		return 0
	}
	return j.pullOf[i].pull
}

// remembered is how many readings of a tool are known by their counter, as
// ingest knows them.
const remembered = 64

// counterMemory knows a tool's last readings by its counter.
type counterMemory struct {
	known bool
	last  uint64
	ring  []countedPull // oldest first
}

type countedPull struct {
	counter    uint64
	seq        uint64 // in the run
	value      quantity.Value
	angle      quantity.Value
	durationUs int64
}

// repeats returns the reading that e repeats: the same number, with the same
// values. Another value under the same number is another pull.
func (m *counterMemory) repeats(e *events.ReadingTaken) (seq uint64, ok bool) {
	for i := len(m.ring) - 1; i >= 0; i-- {
		r := &m.ring[i]
		if r.counter == *e.ToolCounter && r.value == e.Value && r.angle == e.Angle && r.durationUs == e.DurationUs {
			return r.seq, true
		}
	}
	return 0, false
}

// gap tells whether a counter is not the next one, and whether it began anew.
func (m *counterMemory) gap(counter uint64) (found, restart bool) {
	if !m.known || counter == m.last+1 {
		return false, false
	}
	return true, counter <= m.last
}

func (m *counterMemory) add(e *events.ReadingTaken, seq uint64) {
	m.known, m.last = true, *e.ToolCounter
	if len(m.ring) == remembered {
		copy(m.ring, m.ring[1:])
		m.ring = m.ring[:remembered-1]
	}
	m.ring = append(m.ring, countedPull{*e.ToolCounter, seq, e.Value, e.Angle, e.DurationUs})
}

// errProblems means that some lines could not be judged.
var errProblems = errors.New("some lines of the stream could not be judged")

// finish works out the claims and takes the job out of the state.
func (j *judging) finish() {
	if !j.out.Release.Asked {
		j.out.Release.Text = "Release was not asked for: the stream has no release record."
		if job := j.state.Jobs[j.stream.head.job]; job != nil {
			j.out.Release.Open = append(j.out.Release.Open, j.numbered(j.state.OpenWork(job))...)
		}
	}
	slices.SortStableFunc(j.out.Problems, func(a, b lineNote) int { return a.Line - b.Line })
	j.claim()
	j.out.job = j.job
	if j.state.Jobs[j.stream.head.job] != nil {
		j.trigger = triggerEnd
		j.feed(events.SourceDesk, events.AbandonAsked{Ask: j.ask(), Job: j.stream.head.job, Reason: "the stream has ended"})
	}
}
