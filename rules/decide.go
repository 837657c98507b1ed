package rules

import (
	"fmt"

	"witnessmark/events"
)

// Decide returns what the rules say to one fact, in order; nil if nothing
// comes of it. It looks at s and does not touch it. Every reading gives at
// least one outcome, and so does every request, except one that asks for what
// is already so: that gives none, and is granted.
func Decide(s *State, e events.Entry) []events.Outcome {
	t := &tx{s: s, seq: e.Seq, at: e.Time, now: e.Time}
	if run, ok := s.lateRun(e.Source, e.Number); ok {
		t.late, t.now = &run, run.AtUs
	}
	switch d := e.Data.(type) {
	case events.ReadingTaken:
		t.taken(d)
	case events.CounterGapFound:
		t.counterGap(d)
	case events.FrameRepeated:
		t.resent(d)
	case events.SamplesCaptured:
		t.samples(d)
	case events.ForceRising:
		t.rising(d)
	case events.LinkChanged:
		t.linkChanged(d)
	case events.ArrivalsLate:
		t.arrivalsLate(d)
	case events.BoxLinkChanged:
		t.boxLink(d)
	case events.ClockCompared:
		t.clockCompared(d)
	case events.ClockStepped:
		t.clockStepped(d)
	case events.ShopRestored:
		t.shopRestored(d)
	case events.ArrivalRefused:
		t.arrivalWrong(d.Box, fmt.Sprintf("Bench box %q sent something that could not be taken: %s", d.Box, d.Detail))
	case events.ArrivalMissing:
		t.arrivalWrong(d.Box, fmt.Sprintf("Bench box %q has lost something that it had taken: a number of %s is missing.", d.Box, e.Source))
	case events.TimeReached:
		t.timeReached(d)
	case events.ShopDescribed:
		t.shop(d)
	case events.Asker:
		t.asked(d)
	}
	t.watchTools()
	return t.out
}

// asked answers a request of a person. Shop descriptions are not among them:
// they come from the shop file, and the first of them says who there is.
func (t *tx) asked(d events.Asker) {
	if b, ok := d.(events.BadgeScanned); ok {
		t.badge(b) // it says who asks
		return
	}
	a := d.Asked()
	t.by, t.who = a.By, a.By
	req := &request{Ask: a, name: requestName(d)}
	if !t.known(req) {
		return
	}
	switch d := d.(type) {
	case events.ProcedureOffered:
		t.offered(req, d)
	case events.JobAsked:
		t.jobAsked(req, d)
	case events.JobPauseAsked:
		t.pauseAsked(req, d)
	case events.JobResumeAsked:
		t.resumeAsked(req, d)
	case events.HandOverAsked:
		t.handOverAsked(req, d)
	case events.ReleaseAsked:
		t.releaseAsked(req, d)
	case events.AbandonAsked:
		t.abandonAsked(req, d)
	case events.StepConfirmAsked:
		t.confirmAsked(req, d)
	case events.FastenerPointed:
		t.pointedAt(req, d)
	case events.ReadingClaimAsked:
		t.claimAsked(req, d)
	case events.ReadingDismissAsked:
		t.dismissAsked(req, d)
	case events.ReadingVoidAsked:
		t.voidAsked(req, d)
	case events.DecisionAsked:
		t.decisionAsked(req, d)
	case events.OverrideAsked:
		t.overrideAsked(req, d)
	case events.AlertAckAsked:
		t.ackAsked(req, d)
	case events.AlertSettleAsked:
		t.settleAsked(req, d)
	case events.QuestionAnswered:
		t.answered(req, d)
	case events.LearningForgetAsked:
		t.forgetAsked(req, d)
	case events.RecallAsked:
		t.recallAsked(req, d)
	case events.RecallPartAsked:
		t.recallPart(req, d)
	case events.RecallLineAsked:
		t.recallLines(req, d)
	case events.ClosingTurnReported:
		t.turnReported(req, d)
	case events.ResidualAuditAsked:
		t.auditAsked(req, d)
	case events.ShimStockAsked:
		t.stockAsked(req, d)
	case events.ShimFoundAsked:
		t.shimFoundAsked(req, d)
	case events.ShimFitAsked:
		t.shimFitAsked(req, d)
	case events.LooseEndOpenAsked:
		t.looseEndOpened(req, d)
	case events.LooseEndCloseAsked:
		t.looseEndClosed(req, d)
	case events.ItemAnswerAsked:
		t.itemAnswered(req, d)
	case events.ItemDecisionAsked:
		t.itemDecided(req, d)
	case events.HoldReleaseAsked:
		t.holdReleased(req, d)
	case events.PartScanned:
		t.scanned(req, d)
	case events.PartAnswered:
		t.partAnswered(req, d)
	case events.PartUndoAsked:
		t.partUndoAsked(req, d)
	case events.PressReadyAsked:
		t.pressReady(req, d)
	case events.PressRechecked:
		t.pressRechecked(req, d)
	case events.PhotoTaken:
		t.photoTaken(req, d)
	case events.MeasureAsked:
		t.measureAsked(req, d)
	default:
		if t.toolAsked(req, d) {
			return
		}
		t.refuse(req, "unknown_request", fmt.Sprintf("this program does not know the request %q", req.name), "Use a newer version.")
	}
}

// request is a request with what its refusal needs.
type request struct {
	events.Ask
	name string // written type name
	job  string
}

func requestName(d events.Data) string {
	name, _ := d.EventType()
	return name
}

// refuse answers that a request is not granted.
func (t *tx) refuse(r *request, code, text, todo string, items ...string) {
	t.add(events.RequestRefused{Request: r.name, Job: r.job, Code: code, Text: text, Todo: todo, Items: items})
}

// known refuses requests of persons and from benches that the shop does not
// have.
func (t *tx) known(r *request) bool {
	if _, ok := t.s.index.people[r.By]; !ok {
		t.refuse(r, "unknown_person", fmt.Sprintf("nobody in this shop has the id %q", r.By), "Ask as a person of the shop file, or add the person there.")
		return false
	}
	if r.Bench != "" && !t.s.index.benches[r.Bench] {
		t.refuse(r, "unknown_bench", fmt.Sprintf("this shop has no bench %q", r.Bench), "Name a bench of the shop file.")
		return false
	}
	return true
}

// works reports whether a person may do a technician's work.
func (s *State) works(person string) bool {
	p, ok := s.index.people[person]
	return ok && p.Role.Works()
}

// mayWork refuses persons who are neither technician nor lead.
func (t *tx) mayWork(r *request) bool {
	if t.s.works(r.By) {
		return true
	}
	t.refuse(r, "no_right", fmt.Sprintf("%s is neither technician nor lead", t.s.personName(r.By)), "Ask a technician or a lead to do it.")
	return false
}

// mayDecide refuses persons who are not lead.
func (t *tx) mayDecide(r *request, what string) bool {
	if t.s.index.people[r.By].Role.Leads() {
		return true
	}
	t.refuse(r, "no_right", fmt.Sprintf("only a lead may %s; %s is none", what, t.s.personName(r.By)), "Call a lead.")
	return false
}

// personName writes a person for people: name and id, or the id.
func (s *State) personName(id string) string {
	if p, ok := s.index.people[id]; ok && p.Name != "" && p.Name != id {
		return fmt.Sprintf("%s (%s)", p.Name, id)
	}
	return id
}

// openJob takes an open job into the decision, or refuses.
func (t *tx) openJob(r *request, id string) bool {
	r.job = id
	if t.s.Ended[id] {
		t.refuse(r, "job_ended", fmt.Sprintf("job %q has been released or abandoned", id), "Open a new job if the unit has come back.")
		return false
	}
	if t.s.Jobs[id] == nil {
		t.refuse(r, "unknown_job", fmt.Sprintf("there is no job %q", id), "Look for the id among the jobs.")
		return false
	}
	t.open(id)
	return true
}

// activeJob takes an active job into the decision, or refuses.
func (t *tx) activeJob(r *request, id string) bool {
	if !t.openJob(r, id) {
		return false
	}
	if t.job.Status != JobActive {
		t.refuse(r, "job_paused", fmt.Sprintf("job %q is paused", id), "Resume the job first.")
		return false
	}
	return true
}

// reasoned refuses requests that must say why and do not.
func (t *tx) reasoned(r *request, reason string) bool {
	if reason != "" {
		return true
	}
	t.refuse(r, "no_reason", "this needs a reason", "Say why in a few words: it stays in the record.")
	return false
}
