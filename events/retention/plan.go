// Package retention removes captures that a shop need not keep any more: what
// tools sent, byte for byte, of jobs whose time is up, and nothing else. Every
// request and decision stays for ever, so state, recalls and learning are what
// they were.
//
//	plan.go     what may go, and what keeps the rest
//	archive.go  what goes is written to an archive first, which proves itself
//	apply.go    it is told in the journal, then the store is written anew
package retention

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
)

// Rule is a shop's rule.
type Rule struct {
	// Years is how long captures are kept after the release, or the abandonment,
	// of their job. 0: for ever.
	Years int
	// Jobs and Procedures are kept for ever, whatever Years says.
	Jobs       []string
	Procedures []string
}

// String is the rule in words.
func (r Rule) String() string {
	switch r.Years {
	case 0:
		return "captures are kept for ever"
	case 1:
		return "captures are kept for 1 year after the end of their job"
	}
	return fmt.Sprintf("captures are kept for %d years after the end of their job", r.Years)
}

// Journal is what planning needs of a journal.
type Journal interface {
	ReadWritten(ctx context.Context, from, to uint64, fn func([]events.Written) error) error
	Last() uint64
}

// Plan says what may be removed, and why the rest stays.
type Plan struct {
	Rule     Rule
	BeforeUs events.Instant // jobs that ended, and captures of no job that were taken, before this
	Sealed   uint64         // entries that a signed seal covers; only they may go
	Last     uint64         // of the journal
	Entries  uint64         // in the journal

	Remove []Capture // in journal order
	Jobs   []Job     // of which captures would go, in the order in which they were opened
	Stay   []Stay    // why captures stay, the most bytes first
	All    Amount    // captures in the journal

	names []string // of all jobs
}

// Amount is a number of captures.
type Amount struct {
	Captures uint64 `json:"captures"`
	Bytes    uint64 `json:"bytes"` // of their JSON
}

func (a *Amount) add(c *Capture) { a.Captures++; a.Bytes += uint64(c.size) }

// Capture is one that may be removed.
type Capture struct {
	Seq    uint64
	source string
	number uint64
	at     events.Instant // 0: not known
	size   int
	jobs   []int32 // that it concerns
	keep   string  // why it stays whatever becomes of its jobs
}

// Job is a job with captures that would go.
type Job struct {
	Job     string
	EndedUs events.Instant
	Status  string // "released" or "abandoned"
	Amount
}

// Stay is a reason for which captures stay.
type Stay struct {
	Why string   `json:"why"`
	Of  []string `json:"jobs,omitempty"`
	Amount
}

// Of returns how much would go.
func (p *Plan) Of() (a Amount) {
	for i := range p.Remove {
		a.add(&p.Remove[i])
	}
	return a
}

// Why captures stay.
const (
	whyTool     = "a calibration, a check or the standing of a tool rests on them"
	whyNewest   = "the newest event of its device: the numbering goes on from it"
	whyTyped    = "typed by a person"
	whyUndated  = "it is not known when they were taken"
	whyUnsealed = "no signed seal covers them yet"
	whyOpen     = "the job is not released or abandoned"
	whyRecent   = "the job ended too recently"
	whyJob      = "the shop keeps the job"
	whyProc     = "the shop keeps all jobs of the procedure"
	whyYoung    = "they belong to no job and were taken too recently"
	whyBeside   = "they belong to no job, and were taken while a job was open whose captures stay"
	whyForEver  = "the shop keeps captures for ever"
)

// Make makes a plan. sealed is how far the newest seal goes.
func Make(ctx context.Context, j Journal, rule Rule, sealed uint64, now time.Time) (*Plan, error) {
	s := newSurvey()
	p := &Plan{Rule: rule, Sealed: sealed, Last: j.Last(), BeforeUs: events.InstantOf(now.AddDate(-rule.Years, 0, 0))}
	if err := j.ReadWritten(ctx, 1, p.Last, func(ws []events.Written) error {
		for i := range ws {
			if err := s.look(&ws[i]); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return nil, fmt.Errorf("plan the removal of captures: %w", err)
	}
	p.Entries = s.entries
	p.judge(s)
	return p, nil
}

// survey is what one reading of the journal tells.
type survey struct {
	entries  uint64
	captures map[uint64]*Capture
	order    []*Capture
	jobs     []*surveyed
	byName   map[string]int32
	newest   map[string]*Capture // of each source; nil: its newest event is no capture
	recalls  map[string]*recall  // open ones
}

// surveyed is a job.
type surveyed struct {
	name, procedure, status string
	opened, ended           uint64 // 0: not yet
	endedUs                 events.Instant
	tools                   map[string]bool
}

type recall struct {
	tool          string
	total, listed int
	jobs          map[string]bool
}

func newSurvey() *survey {
	return &survey{captures: map[uint64]*Capture{}, byName: map[string]int32{}, newest: map[string]*Capture{}, recalls: map[string]*recall{}}
}

var decidedType = events.TypeName(events.Decided{})

func (s *survey) look(w *events.Written) error {
	s.entries++
	s.newest[w.Source] = nil
	switch {
	case events.IsCapture(w.Type):
		c := &Capture{Seq: w.Seq, source: w.Source, size: len(w.Data)}
		if _, err := fmt.Sscan(w.ID, &c.number); err != nil {
			return fmt.Errorf("entry J%d has the id %q: want a number", w.Seq, w.ID)
		}
		if !strings.HasPrefix(w.Source, events.DeviceSource("")) {
			c.keep = whyTyped
		}
		if t, err := time.Parse(time.RFC3339Nano, w.Time); err == nil {
			c.at = events.InstantOf(t)
		}
		s.captures[w.Seq], s.newest[w.Source] = c, c
		s.order = append(s.order, c)
	case w.Type == decidedType:
		d, err := events.Decode(w.Type, []byte(w.Data))
		if err != nil {
			return fmt.Errorf("entry J%d: %w", w.Seq, err)
		}
		decided := d.(events.Decided)
		for _, o := range decided.Outcomes {
			s.outcome(w.Seq, decided.Cause, o.Data)
		}
	}
	return nil
}

func (s *survey) outcome(seq, cause uint64, o events.OutcomeData) {
	switch o := o.(type) {
	case events.JobOpened:
		if _, known := s.byName[o.Job]; !known {
			s.byName[o.Job] = int32(len(s.jobs))
			s.jobs = append(s.jobs, &surveyed{name: o.Job, procedure: o.Procedure, opened: seq, tools: map[string]bool{}})
		}
	case events.JobReleased:
		s.end(o.Job, "released", seq, o.AtUs)
	case events.JobAbandoned:
		s.end(o.Job, "abandoned", seq, o.AtUs)
	case events.RecallOpened:
		s.recalls[o.Recall] = &recall{tool: o.Tool, total: o.Total, jobs: map[string]bool{}}
	case events.RecallListed:
		if r := s.recalls[o.Recall]; r != nil {
			r.listed += len(o.Lines)
			for _, l := range o.Lines {
				r.jobs[l.Job] = true
			}
		}
	case events.RecallClosed:
		delete(s.recalls, o.Recall)
	}
	keeps, job := events.KeepsCaptures(o), events.JobOf(o)
	refs := append(referred(o), cause)
	if tool := reflect.ValueOf(o).FieldByName("Tool"); job != "" && tool.IsValid() && tool.Kind() == reflect.String {
		if i, known := s.byName[job]; known {
			s.jobs[i].tools[tool.String()] = true
		}
	}
	for _, seq := range refs {
		c := s.captures[seq]
		if c == nil {
			continue
		}
		if keeps {
			c.keep = cmp.Or(c.keep, whyTool)
		}
		if i, known := s.byName[job]; known && !slices.Contains(c.jobs, i) {
			c.jobs = append(c.jobs, i)
		}
	}
}

func (s *survey) end(job, status string, seq uint64, at events.Instant) {
	if i, known := s.byName[job]; known {
		x := s.jobs[i]
		x.status, x.ended, x.endedUs = status, seq, at
	}
}

// refersTo are the fields of outcomes that hold journal sequences of captures.
var refersTo = []string{"Reading", "Readings", "ToolReading", "ReferenceReading", "Fact", "Facts"}

// referred returns the journal sequences that an outcome names in such fields.
func referred(o any) (out []uint64) {
	var walk func(v reflect.Value, named bool)
	walk = func(v reflect.Value, named bool) {
		switch v.Kind() {
		case reflect.Uint64:
			if named && v.Uint() > 0 {
				out = append(out, v.Uint())
			}
		case reflect.Pointer, reflect.Interface:
			if !v.IsNil() {
				walk(v.Elem(), named)
			}
		case reflect.Slice:
			if k := v.Type().Elem().Kind(); k == reflect.Uint8 || k == reflect.Float64 || k == reflect.String {
				return
			}
			for i := range v.Len() {
				walk(v.Index(i), named)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				if f := v.Type().Field(i); f.IsExported() {
					walk(v.Field(i), slices.Contains(refersTo, f.Name))
				}
			}
		}
	}
	walk(reflect.ValueOf(o), false)
	return out
}

// judge decides what goes.
func (p *Plan) judge(s *survey) {
	why := make([]string, len(s.jobs)) // why the captures of a job stay; "": they need not
	for i, x := range s.jobs {
		why[i] = p.keepsJob(s, x)
		p.names = append(p.names, x.name)
	}
	// Captures of no job stay as long as a job whose captures stay was open.
	type span struct{ from, to uint64 }
	var beside []span
	for i, x := range s.jobs {
		if why[i] != "" {
			beside = append(beside, span{x.opened, cmp.Or(x.ended, p.Last)})
		}
	}
	slices.SortFunc(beside, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	merged := beside[:0]
	for _, x := range beside {
		if n := len(merged); n > 0 && merged[n-1].to >= x.from {
			merged[n-1].to = max(merged[n-1].to, x.to)
			continue
		}
		merged = append(merged, x)
	}
	newest := map[*Capture]bool{}
	for _, c := range s.newest {
		newest[c] = true
	}
	stay, ofJobs := map[string]*Stay{}, map[string]map[string]bool{}
	gone := map[int32]*Amount{}
	for _, c := range s.order {
		p.All.add(c)
		reason, job := c.keep, ""
		for _, i := range c.jobs {
			if reason == "" && why[i] != "" {
				reason, job = why[i], s.jobs[i].name
			}
		}
		for len(merged) > 0 && merged[0].to < c.Seq {
			merged = merged[1:]
		}
		switch {
		case reason != "":
		case p.Rule.Years == 0:
			reason = whyForEver
		case c.Seq > p.Sealed:
			reason = whyUnsealed
		case newest[c]:
			reason = whyNewest
		case c.at == 0:
			reason = whyUndated
		case len(c.jobs) > 0:
		case c.at >= p.BeforeUs:
			reason = whyYoung
		case len(merged) > 0 && merged[0].from <= c.Seq:
			reason = whyBeside
		}
		if reason == "" {
			p.Remove = append(p.Remove, *c)
			for _, i := range c.jobs {
				if gone[i] == nil {
					gone[i] = &Amount{}
				}
				gone[i].add(c)
			}
			continue
		}
		if stay[reason] == nil {
			stay[reason], ofJobs[reason] = &Stay{Why: reason}, map[string]bool{}
		}
		stay[reason].add(c)
		if job != "" {
			ofJobs[reason][job] = true
		}
	}
	for _, i := range slices.Sorted(maps.Keys(gone)) {
		p.Jobs = append(p.Jobs, Job{Job: s.jobs[i].name, EndedUs: s.jobs[i].endedUs, Status: s.jobs[i].status, Amount: *gone[i]})
	}
	for _, why := range slices.Sorted(maps.Keys(stay)) {
		x := stay[why]
		x.Of = slices.Sorted(maps.Keys(ofJobs[why]))
		p.Stay = append(p.Stay, *x)
	}
	slices.SortStableFunc(p.Stay, func(a, b Stay) int { return cmp.Compare(b.Bytes, a.Bytes) })
}

// keepsJob returns why the captures of a job stay, "" if they need not.
func (p *Plan) keepsJob(s *survey, x *surveyed) string {
	for _, id := range slices.Sorted(maps.Keys(s.recalls)) {
		r := s.recalls[id]
		if r.jobs[x.name] || r.listed < r.total && x.tools[r.tool] {
			return fmt.Sprintf("recall %s of tool %s is open and lists the job", id, r.tool)
		}
	}
	switch {
	case x.ended == 0:
		return whyOpen
	case slices.Contains(p.Rule.Jobs, x.name):
		return whyJob
	case slices.Contains(p.Rule.Procedures, x.procedure):
		return whyProc + " " + x.procedure
	case p.Rule.Years == 0:
		return whyForEver
	case x.endedUs == 0 || x.endedUs >= p.BeforeUs:
		return whyRecent
	}
	return ""
}
