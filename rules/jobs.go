package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
)

// maxID is the longest id that a person may choose.
const maxID = 64

// goodID reports whether an id is fit for file names, addresses and labels:
// letters, digits, '-', '_' and '.', beginning with a letter or digit.
func goodID(id string) bool {
	if id == "" || len(id) > maxID || strings.ContainsAny(id[:1], "-_.") {
		return false
	}
	for _, c := range id {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' || c == '.') {
			return false
		}
	}
	return true
}

func (t *tx) jobAsked(r *request, d events.JobAsked) {
	r.job = d.Job
	rev := d.Revision
	if rev == "" {
		rev = t.s.Newest[d.Procedure]
	}
	p := t.s.Procedures[ProcKey(d.Procedure, rev)]
	switch {
	case !t.mayWork(r):
	case !goodID(d.Job):
		t.refuse(r, "bad_id", fmt.Sprintf("%q cannot be a job's id", d.Job), fmt.Sprintf("Use 1 to %d letters, digits, '-', '_' and '.', beginning with a letter or digit.", maxID))
	case t.s.Jobs[d.Job] != nil || t.s.Ended[d.Job]:
		t.refuse(r, "job_exists", fmt.Sprintf("there is or was a job %q", d.Job), "Choose another id: an id is used once.")
	case strings.TrimSpace(d.UnitSerial) == "":
		t.refuse(r, "no_unit", "the job names no unit", "Give the serial number of the unit being rebuilt.")
	case t.s.Newest[d.Procedure] == "":
		t.refuse(r, "unknown_procedure", fmt.Sprintf("no procedure %q has been released", d.Procedure), "Release the procedure first, or look for its id among the procedures.")
	case p == nil:
		t.refuse(r, "unknown_revision", fmt.Sprintf("procedure %q has no released revision %q", d.Procedure, rev), fmt.Sprintf("Use revision %q, the newest, or release it.", t.s.Newest[d.Procedure]))
	case t.freeBench(r, r.Bench):
		t.add(events.JobOpened{
			Job: d.Job, UnitSerial: d.UnitSerial, Customer: d.Customer, Procedure: d.Procedure,
			Revision: rev, Hash: p.Hash, Weighed: true, Bench: r.Bench, By: r.By, AtUs: t.at,
		})
	}
}

// freeBench refuses a bench that is not there or where another job is active.
func (t *tx) freeBench(r *request, bench string) bool {
	if !t.s.index.benches[bench] {
		t.refuse(r, "unknown_bench", fmt.Sprintf("this shop has no bench %q", bench), "Name a bench of the shop file.")
		return false
	}
	if other := t.s.BenchJob[bench]; other != "" && other != r.job {
		t.refuse(r, "bench_busy", fmt.Sprintf("job %q is active at bench %q", other, bench), "Pause that job, hand it to another bench, or use another bench.")
		return false
	}
	return true
}

func (t *tx) pauseAsked(r *request, d events.JobPauseAsked) {
	if t.mayWork(r) && t.activeJob(r, d.Job) {
		if i, _, ok := t.job.guidedNow(); ok && t.job.Steps[i].Guided != nil {
			t.endGuided(i, r.By, "the job was paused: the indicator will not stand where it stood")
		}
		t.add(events.JobPaused{Job: d.Job, By: r.By, Note: d.Note, AtUs: t.at})
	}
}

func (t *tx) resumeAsked(r *request, d events.JobResumeAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) {
		return
	}
	bench := r.Bench
	if bench == "" {
		bench = t.job.Bench
	}
	if t.job.Status != JobPaused {
		t.refuse(r, "not_paused", fmt.Sprintf("job %q is active at bench %q", d.Job, t.job.Bench), "Hand it over to move it to another person or bench.")
		return
	}
	if t.freeBench(r, bench) {
		t.add(events.JobResumed{Job: d.Job, By: r.By, Bench: bench, AtUs: t.at})
		t.follow()
	}
}

func (t *tx) handOverAsked(r *request, d events.HandOverAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) {
		return
	}
	bench := d.ToBench
	if bench == "" {
		bench = t.job.Bench
	}
	if !t.s.works(d.ToPerson) {
		t.refuse(r, "unknown_person", fmt.Sprintf("%q is no technician or lead of this shop", d.ToPerson), "Hand it to a technician or lead of the shop file.")
		return
	}
	if t.job.Status == JobActive && !t.freeBench(r, bench) {
		return
	}
	if !t.s.index.benches[bench] { // of a paused job
		t.refuse(r, "unknown_bench", fmt.Sprintf("this shop has no bench %q", bench), "Name a bench of the shop file.")
		return
	}
	t.add(events.JobHandedOver{Job: d.Job, From: t.job.Technician, To: d.ToPerson, Bench: bench, Note: d.Note, AtUs: t.at})
	t.follow()
}

// releaseAsked lets the unit go, or says all that is open. Being asked is the
// last moment to notice a missed fastener, so what was left behind is raised
// here where nothing raised it before. A step that only waits for a word or a
// value is listed, not raised: nothing is covered by asking.
func (t *tx) releaseAsked(r *request, d events.ReleaseAsked) {
	if !t.openJob(r, d.Job) || !t.mayDecide(r, "release a job") {
		return
	}
	for i, p := range t.job.Proc.Steps {
		if (p.Joint != nil || t.job.Steps[i].Value != nil) && !t.job.Steps[i].AtHold() {
			t.leaveStep(i, "release was asked for")
			if p.Joint != nil && t.job.closingBegun(i) {
				t.leaveClosing(i, "release was asked for")
			}
		}
	}
	t.leaveEnds("release was asked for")
	if t.job.Weighed {
		t.why = "release was asked for"
		t.follow() // a step is open again where the evidence named a fastener
	}
	if open := t.openWork(); len(open) > 0 {
		t.refuse(r, "open_work", fmt.Sprintf("job %q has open work", d.Job), "Do what is listed, or have a lead decide; then ask again.", open...)
		return
	}
	t.settleAll(r, "the job was released")
	t.add(events.JobReleased{Job: d.Job, By: r.By, AtUs: t.at, Facts: t.job.Facts})
}

func (t *tx) abandonAsked(r *request, d events.AbandonAsked) {
	if t.openJob(r, d.Job) && t.mayDecide(r, "abandon a job") && t.reasoned(r, d.Reason) {
		t.settleAll(r, "the job was abandoned: "+d.Reason)
		t.add(events.JobAbandoned{Job: d.Job, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

// settleAll settles every alert that the job still has.
func (t *tx) settleAll(r *request, how string) {
	for _, id := range t.s.Jobs[t.job.ID].Alerts {
		if !slices.Contains(t.settled, id) {
			t.settle(id, r.By, how)
		}
	}
}
