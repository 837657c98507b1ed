package main

import (
	"math"
	"regexp"
	"strconv"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// What a run of 'witnessmark judge' found. The fields are described in
// stream-format.md and in judge.schema.json.

// What was being decided when something was found.
const (
	triggerStart   = "start"
	triggerPull    = "pull"
	triggerTime    = "time" // a pause that the procedure names went by
	triggerPlace   = "place"
	triggerConfirm = "confirm"
	triggerRelease = "release"
	triggerEnd     = "end"
)

// What a reading became.
const (
	becameCounted  = "counted"
	becameAside    = "set_aside"
	becameUnplaced = "unplaced"
	becameResent   = "resent" // the same cycle, sent once more
	becameUnread   = "unread" // the line could not be read
	becameOther    = "other"  // the rules said neither
)

// Claims for a fastener.
const (
	claimWitnessed = "witnessed"
	claimMissed    = "missed"
	claimLow       = "low"
	claimHigh      = "high"
	claimDoubtful  = "doubtful"
)

type judgement struct {
	Judge     int              `json:"judge"` // form of this output: 1
	Procedure judgedProcedure  `json:"procedure"`
	Job       judgedJob        `json:"job"`
	Tools     []judgedTool     `json:"tools"`
	Earlier   []earlierJob     `json:"earlier"`
	Learned   []learnedPass    `json:"learned"` // before this job; empty: nothing
	Fasteners []judgedFastener `json:"fasteners"`
	Alerts    []judgedAlert    `json:"alerts"`
	Pulls     []judgedPull     `json:"pulls"`
	Questions []judgedQuestion `json:"questions"`
	Refusals  []judgedRefusal  `json:"refusals"`
	Release   judgedRelease    `json:"release"`
	Problems  []lineNote       `json:"problems"`
	Warnings  []lineNote       `json:"warnings"`

	job *rules.Job // as it last stood, for the bench
}

func newJudgement() *judgement {
	return &judgement{
		Judge: 1, Tools: []judgedTool{}, Earlier: []earlierJob{}, Learned: []learnedPass{}, Fasteners: []judgedFastener{}, Alerts: []judgedAlert{}, Questions: []judgedQuestion{},
		Refusals: []judgedRefusal{}, Problems: []lineNote{}, Warnings: []lineNote{}, Release: judgedRelease{Open: []string{}},
	}
}

type judgedProcedure struct {
	ID       string   `json:"id"`
	Revision string   `json:"revision"`
	Title    string   `json:"title"`
	LeftOut  []string `json:"left_out"` // steps of which the stream does not speak
}

type judgedJob struct {
	ID         string    `json:"id"`
	UnitSerial string    `json:"unit_serial"`
	Start      time.Time `json:"start"`
}

type judgedTool struct {
	Tool     string  `json:"tool"`
	Kind     string  `json:"kind"`
	Unit     string  `json:"unit"`
	UnitTold bool    `json:"unit_told"`
	Counter  string  `json:"counter"` // "cycles", "sent", ""
	Angle    bool    `json:"angle"`
	Duration bool    `json:"duration"`
	Trace    bool    `json:"trace"`
	URel     float64 `json:"u_rel"`
}

func judgedToolOf(t *streamTool) judgedTool {
	return judgedTool{
		Tool: t.ID, Kind: string(t.Kind), Unit: t.unit.Code(), UnitTold: t.told, Counter: t.counter,
		Angle: t.Reports.Angle, Duration: t.Reports.Duration, Trace: t.Reports.Trace, URel: t.URel,
	}
}

type judgedFastener struct {
	Step     string   `json:"step"`
	Fastener string   `json:"fastener"`
	Claim    string   `json:"claim"`
	Grade    string   `json:"grade"`     // "" where no pull counts
	P        *float64 `json:"p"`         // probability that it is tight; null: not weighed
	Pull     int      `json:"pull"`      // that it rests on; 0: none
	Value    string   `json:"value"`     // of that pull, as the tool sent it
	Unit     string   `json:"unit"`      // of Value
	TorqueNm *float64 `json:"torque_nm"` // the same in N·m
	TargetNm *float64 `json:"target_nm"` // of the pass that it counts in, or is missing in
	Pass     string   `json:"pass"`      // that pass
	Why      string   `json:"why"`       // "" for a plain witness
}

type judgedWeight struct {
	Fastener string  `json:"fastener"`
	P        float64 `json:"p"`
}

type judgedAlert struct {
	Alert      string         `json:"alert"` // "A1", "A2", … in order
	Kind       string         `json:"kind"`
	Step       string         `json:"step"`
	Pass       string         `json:"pass"`
	Fasteners  []string       `json:"fasteners"`
	Candidates []judgedWeight `json:"candidates"` // most probable first
	P          *float64       `json:"p"`          // of what it says; null: not inferred
	Trigger    string         `json:"trigger"`
	Pull       int            `json:"pull"`  // that triggered it; 0 where none did
	After      int            `json:"after"` // the last reading before or at it
	About      int            `json:"about"` // the reading that it is about; 0: none
	Text       string         `json:"text"`
	Todo       string         `json:"todo"`
	Blocks     bool           `json:"blocks"`
	Open       bool           `json:"open"` // at the end
	Settled    string         `json:"settled"`
	SettledAt  int            `json:"settled_after"` // the last reading before or at its end

	id string // in the run
}

type judgedExplanation struct {
	Kind     string  `json:"kind"`
	Fastener string  `json:"fastener"`
	P        float64 `json:"p"`
}

type judgedPull struct {
	Pull         int                 `json:"pull"`
	Line         int                 `json:"line"`
	Tool         string              `json:"tool"`
	Seq          *uint64             `json:"seq"`
	At           float64             `json:"t"` // s from the start, taken
	Value        string              `json:"value"`
	Unit         string              `json:"unit"`
	TorqueNm     *float64            `json:"torque_nm"`
	Became       string              `json:"became"`
	Step         string              `json:"step"`
	Pass         string              `json:"pass"`
	Fastener     string              `json:"fastener"`
	Verdict      string              `json:"verdict"`
	Grade        string              `json:"grade"`
	Explanations []judgedExplanation `json:"explanations"` // best first, as last weighed
	Lost         int                 `json:"lost_before"`  // cycles that the counter says were lost just before
	Of           int                 `json:"of"`           // the reading that it repeats; 0: none
	Why          string              `json:"why"`
}

type judgedQuestion struct {
	Question string   `json:"question"` // "Q1", …
	Step     string   `json:"step"`
	Pull     int      `json:"pull"`  // that it asks about
	After    int      `json:"after"` // the last reading when it was asked
	Text     string   `json:"text"`
	Choices  []string `json:"choices"`
	Open     bool     `json:"open"` // at the end
	Settled  string   `json:"settled"`

	id string
}

type judgedRefusal struct {
	Line  int      `json:"line"`
	After int      `json:"after"`
	Asked string   `json:"asked"` // "place" or "confirm"
	Text  string   `json:"text"`
	Todo  string   `json:"todo"`
	Open  []string `json:"open"`
}

type judgedRelease struct {
	Asked   bool     `json:"asked"`
	Granted bool     `json:"granted"`
	Text    string   `json:"text"`
	Open    []string `json:"open"`
}

// seconds writes microseconds as seconds.
func seconds(us int64) float64 { return float64(us) / 1e6 }

// baseOf gives a torque in N·m, nil if it is none.
func baseOf(v quantity.Value) *float64 {
	if v.Dimension() != quantity.DimTorque {
		return nil
	}
	nm := math.Round(v.Base()*1e6) / 1e6
	return &nm
}

// probability gives p, nil where it was not worked out.
func probability(p float64) *float64 {
	if p <= 0 || !(p <= 1) {
		return nil
	}
	return &p
}

var readingNumber = regexp.MustCompile(`\breading (\d+)\b`)

// numbered puts the stream's numbers in the place of the journal's.
func (j *judging) numbered(lines []string) []string {
	for i := range lines {
		lines[i] = readingNumber.ReplaceAllStringFunc(lines[i], func(s string) string {
			seq, err := strconv.ParseUint(s[len("reading "):], 10, 64)
			if n := j.pullNumber(seq); err == nil && n > 0 {
				return "reading " + strconv.Itoa(n)
			}
			return s
		})
	}
	return lines
}

func (j *judging) pullOfSeq(seq uint64) *judgedPull {
	if n := j.pullNumber(seq); n > 0 {
		return &j.out.Pulls[n-1]
	}
	return nil
}

func (j *judging) passName(step string, pass int) string {
	return passNameOf(j.proc.proc, step, pass)
}

// passNameOf names a pass; "" if there is none.
func passNameOf(p *procedure.Procedure, step string, pass int) string {
	s, _ := p.Step(step)
	if s == nil || s.Joint == nil || pass < 0 || pass >= len(s.Joint.Passes) {
		return ""
	}
	if name := s.Joint.Passes[pass].Name; name != "" {
		return name
	}
	return strconv.Itoa(pass + 1)
}

// note takes an outcome into the judgement.
func (j *judging) note(o events.OutcomeData) {
	if j.trigger == triggerEnd {
		return
	}
	switch o := o.(type) {
	case events.ReadingJudged:
		if p := j.pullOfSeq(o.Reading); p != nil {
			p.Became, p.Step, p.Pass, p.Fastener = becameCounted, o.Step, j.passName(o.Step, o.Pass), o.Fastener
			p.Verdict, p.Grade, p.Why = string(o.Verdict), string(o.Grade), ""
		}
	case events.ReadingUnplaced:
		if p := j.pullOfSeq(o.Reading); p != nil {
			p.Became, p.Why = becameUnplaced, o.Why
		}
	case events.ReadingVoided:
		if p := j.pullOfSeq(o.Reading); p != nil {
			p.Became, p.Why = becameUnplaced, o.Reason
		}
	case events.PullSetAside:
		if p := j.pullOfSeq(o.Reading); p != nil {
			p.Became, p.Step, p.Pass, p.Fastener = becameAside, o.Step, j.passName(o.Step, o.Pass), o.Fastener
			p.Verdict, p.Grade, p.Why = "", "", o.Why
		}
	case events.PullWeighed:
		j.noteWeighed(&o)
	case events.WitnessWeighed:
		j.noteWitness(o)
	case events.CyclesLost:
		j.lost[o.Step] += o.Cycles
	case events.AlertRaised:
		j.noteAlert(&o)
	case events.AlertSettled:
		if i, ok := j.alerts[o.Alert]; ok {
			a := &j.out.Alerts[i]
			a.Open, a.Settled, a.SettledAt = false, o.How, j.pull
		}
	case events.QuestionAsked:
		j.noteQuestion(&o)
	case events.QuestionSettled:
		for i := range j.out.Questions {
			if q := &j.out.Questions[i]; q.id == o.Question {
				q.Open, q.Settled = false, o.How
			}
		}
	}
}

func (j *judging) noteWeighed(o *events.PullWeighed) {
	p := j.pullOfSeq(o.Reading)
	if p == nil {
		return
	}
	p.Explanations = p.Explanations[:0]
	for _, x := range o.Explanations {
		p.Explanations = append(p.Explanations, judgedExplanation{string(x.Kind), x.Fastener, x.P})
	}
	p.Lost = o.Lost
	if p.Step == "" {
		p.Step, p.Pass = o.Step, j.passName(o.Step, o.Pass)
	}
}

// noteWitness keeps the latest weights of each pass of a step.
func (j *judging) noteWitness(o events.WitnessWeighed) {
	for i := range j.weighed {
		if w := &j.weighed[i]; w.Step == o.Step && w.Pass == o.Pass {
			*w = o
			return
		}
	}
	j.weighed = append(j.weighed, o)
}

func (j *judging) noteAlert(o *events.AlertRaised) {
	a := judgedAlert{
		Alert: "A" + strconv.Itoa(len(j.out.Alerts)+1), Kind: string(o.Kind), Step: o.Step, Pass: j.passName(o.Step, o.Pass),
		Fasteners: append([]string{}, o.Fasteners...), Candidates: make([]judgedWeight, len(o.Likely)), P: probability(o.P),
		Trigger: j.trigger, After: j.pull, About: j.pullNumber(o.Reading),
		Text: o.Text, Todo: o.Todo, Blocks: o.Blocks, Open: true, id: o.Alert,
	}
	if j.trigger == triggerPull {
		a.Pull = j.pull
	}
	for i, w := range o.Likely {
		a.Candidates[i] = judgedWeight{w.Fastener, w.P}
	}
	i, again := j.alerts[o.Alert]
	if !again {
		j.alerts[o.Alert] = len(j.out.Alerts)
		j.out.Alerts = append(j.out.Alerts, a)
		return
	}
	old := &j.out.Alerts[i] // said anew, with other weights: it was raised when it was
	a.Alert, a.Trigger, a.Pull, a.After = old.Alert, old.Trigger, old.Pull, old.After
	*old = a
}

func (j *judging) noteQuestion(o *events.QuestionAsked) {
	q := judgedQuestion{
		Question: "Q" + strconv.Itoa(len(j.out.Questions)+1), Step: o.Step, Pull: j.pullNumber(o.Reading), After: j.pull,
		Text: o.Text, Choices: make([]string, len(o.Choices)), Open: true, id: o.Question,
	}
	for i := range o.Choices {
		q.Choices[i] = o.Choices[i].Text
	}
	j.out.Questions = append(j.out.Questions, q)
}
