package simulator

import (
	"fmt"
	"slices"

	"witnessmark/events/quantity"
)

// Truth is what really happened in a job, and what must be said about it.
type Truth struct {
	Job       string      `json:"job"`
	Fasteners []Tightened `json:"fasteners"` // in order of the procedure's steps
	Measures  []Measured  `json:"measures,omitempty"`
	Presses   []Pressed   `json:"presses,omitempty"`
	Shims     []string    `json:"shims,omitempty"`  // steps in which shims go in and the play is measured again
	Faults    []Fault     `json:"faults,omitempty"` // with the fastener that the seed chose
	// Must are the kinds of alert that must be raised, May those that may be.
	// Any other kind must not. A job without faults has neither.
	Must []string `json:"must_alert,omitempty"`
	May  []string `json:"may_alert,omitempty"`
	// Refused says that release must be refused when it is first asked for.
	Refused bool `json:"release_refused_at_first"`
	// Released says that the job is released in the end.
	Released bool `json:"released"`
	// Readings is how many values reach the machine, resent ones once and
	// those not that are taken again in catching up.
	Readings int `json:"readings"`
}

// Tightened is what became of one fastener.
type Tightened struct {
	Step     string         `json:"step"`
	Fastener string         `json:"fastener"`
	Torque   quantity.Value `json:"torque"` // that it is truly tightened to in the end
	Within   bool           `json:"within"` // of the limits of its last pass
	Pulls    int            `json:"pulls"`  // all of them, lost and low ones too
}

// Measured is what a part truly measures.
type Measured struct {
	Step  string         `json:"step"`
	Value quantity.Value `json:"value"`
}

// Outcome is what a run saw of a job.
type Outcome struct {
	Job          string
	RefusedFirst bool     // release was refused when it was first asked for
	Released     bool     // in the end
	Refusals     []string // everything that was refused, for people, in order
	// Shimmed is what the parts of Truth.Shims truly measure with the shims in
	// that went in.
	Shimmed []Measured
	// Slow is how many readings a tool sent once more because the machine took
	// longer to answer than the tool waits. That they came twice is told.
	Slow int
}

// Check compares what a run and the alerts raised in its job (their kinds, in
// any order, repeated or not) with the truth and returns what does not agree,
// one line each; nil if all does.
func (t Truth) Check(o Outcome, alerts []string) []string {
	var wrong []string
	for _, kind := range t.Must {
		if !slices.Contains(alerts, kind) {
			wrong = append(wrong, fmt.Sprintf("job %s: alert %s was not raised", t.Job, kind))
		}
	}
	seen := map[string]bool{}
	for _, kind := range alerts {
		if !seen[kind] && !slices.Contains(t.Must, kind) && !slices.Contains(t.May, kind) && !(kind == alertSame && o.Slow > 0) {
			wrong = append(wrong, fmt.Sprintf("job %s: alert %s was raised without a cause", t.Job, kind))
		}
		seen[kind] = true
	}
	if o.RefusedFirst != t.Refused {
		wrong = append(wrong, fmt.Sprintf("job %s: release refused at first is %t, must be %t", t.Job, o.RefusedFirst, t.Refused))
	}
	if o.Released != t.Released {
		wrong = append(wrong, fmt.Sprintf("job %s: released is %t, must be %t", t.Job, o.Released, t.Released))
	}
	return wrong
}

// Kinds of alert, as they are written in the journal. They are named here a
// second time on purpose: the truth shares no code with the rules.
const (
	alertMissed     = "missed_fastener"
	alertLowLeft    = "low_left"
	alertHigh       = "high"
	alertOrder      = "out_of_order"
	alertTool       = "wrong_tool"
	alertUnit       = "unit_slip"
	alertUnplaced   = "unplaced_reading"
	alertExtra      = "extra_pull"
	alertLost       = "reading_lost"
	alertNotGranted = "release_refused"
	alertSkipped    = "step_skipped"
	alertSame       = "same_cycle"

	// What going on past something undone brings with it.
	alertLoose      = "loose_end"
	alertGuard      = "order_guard"
	alertUnanswered = "unanswered"
	alertHold       = "hold_waiting"
)

// A consequence is what a mistake must bring about.
type consequence struct {
	must, may []string
	lost      bool // must holds only where the tool sends each reading once
	strict    bool // must holds only where the order is demanded
}

// faultTruths holds what each kind of fault must bring about.
var faultTruths = map[FaultKind]consequence{
	MissedBolt: {must: []string{alertMissed}, may: []string{alertNotGranted, alertSkipped, alertLoose, alertGuard, alertUnanswered, alertHold}},
	// The pull too many is the last of the step: all its fasteners count already.
	// Where a wrench tells the angle, a second pull that turns nothing is set
	// aside without a word: many people pull twice by habit.
	DoublePull: {may: []string{alertExtra, alertUnplaced}},
	// Pulled again at once: that is how a low pull is meant to end.
	LowPull:   {},
	LowLeft:   {must: []string{alertLowLeft}, may: []string{alertMissed, alertNotGranted, alertSkipped, alertLoose, alertGuard, alertUnanswered, alertHold}},
	HighPull:  {must: []string{alertHigh}},
	WrongUnit: {must: []string{alertUnit}, may: []string{alertHigh}},
	WrongTool: {must: []string{alertTool}},
	// Where the order is only advised, it is nobody's alert.
	WrongOrder: {must: []string{alertOrder}, strict: true},
	// A tool that sends once loses the reading and its counter shows it; one
	// that sends again loses nothing.
	Unplugged:    {must: []string{alertLost}, lost: true},
	GarbledFrame: {must: []string{alertLost}, lost: true},
	NoisyLine:    {},
	ResentFrame:  {may: []string{alertSame}},
}

// expect adds what f must bring about.
func (t *Truth) expect(f Fault, strict, lost bool) {
	c := faultTruths[f.Kind]
	t.Faults = append(t.Faults, f)
	if (!c.strict || strict) && (!c.lost || lost) {
		t.Must = union(t.Must, c.must)
	}
	t.May = union(t.May, c.may)
}

func union(a, b []string) []string {
	for _, s := range b {
		if !slices.Contains(a, s) {
			a = append(a, s)
		}
	}
	return a
}
