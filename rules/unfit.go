package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// tool returns a tool of the register with where it stands, for the job in
// hand; ok is false where nobody registered it.
func (t *tx) tool(id string) (d toolDates, ok bool) {
	d, ok = t.s.registered(id)
	d.allowed = t.job != nil && t.job.overridden(id)
	return d, ok
}

func (s *State) registered(id string) (d toolDates, ok bool) {
	d, ok = s.index.tools[id]
	d.reg = s.Tools[id]
	return d, ok
}

// overridden reports whether a lead lets a tool be used for the job although it
// is refused.
func (j *Job) overridden(tool string) bool {
	return slices.ContainsFunc(j.Overrides, func(o events.OverrideGiven) bool { return o.Tool == tool })
}

// unfit says why a tool may not be used at all at that time, "" if it may: by
// its state, its date or its cycles.
func (t *toolDates) unfit(at events.Instant) string {
	if t.reg != nil {
		switch t.reg.State {
		case events.ToolQuarantined:
			return "it is in quarantine" + because(t.reg.Why)
		case events.ToolAway:
			return "it is away" + because(t.reg.Why)
		case events.ToolRetired:
			return "it is retired" + because(t.reg.Why)
		}
	}
	switch {
	case t.from != 0 && at < t.from:
		return fmt.Sprintf("its calibration of %s lies after the reading's date %s; check the clock", t.Calibrated, day(at))
	case t.until == 0 || at >= t.until:
		return fmt.Sprintf("its calibration was due on %s", t.Due)
	case t.reg != nil:
		if p := period(&t.Tool); p.Cycles > 0 && t.reg.Cycles-t.reg.CyclesAt >= int64(p.Cycles) {
			return fmt.Sprintf("its calibration was due after %d cycles, and it has made %d", p.Cycles, t.reg.Cycles-t.reg.CyclesAt)
		}
	}
	return ""
}

// Unfit says why a tool may not be used at all at that time, "" if it may.
func (s *State) Unfit(tool string, at events.Instant) string {
	d, ok := s.registered(tool)
	if !ok {
		return "nobody registered it"
	}
	return d.unfit(at)
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ": " + strings.TrimSuffix(why, ".")
}

// A cycle is an overload from leastOverload times the tool's capacity on, as
// tools flag it themselves from 105 to 125 % (common practice, no source), and
// up to mostOverload times: at more the unit is wrong. Our choices.
const (
	leastOverload = 1.1
	mostOverload  = 2
)

// overload notes a cycle of a torque tool beyond its range, by its own word or
// by its value.
func (t *tx) overload(r *reading, tool *toolDates) {
	if tool.ID == "" || r.value.Dimension() != quantity.DimTorque || tool.Most.Dimension() != quantity.DimTorque {
		return
	}
	v, most := math.Abs(r.value.Base()), tool.Most.Base()
	if strings.Contains(r.status, "over") || v > leastOverload*most && v <= mostOverload*most {
		t.add(events.CycleOverloaded{Reading: r.seq, Tool: tool.ID, Value: r.value, Status: r.status, AtUs: r.at})
	}
}

// Refusal is a tool that may not be used for what is to be done next.
type Refusal struct {
	Tool string // id
	Name string // for people
	Why  string
	Todo string
	// Override says that a lead may let it be used for this job.
	Override bool
}

// RefusedTools returns the tools at a job's bench that would be taken for the
// work that is next, and may not be, in the order of the shop file. A tool
// whose range does not fit is named only where no other there fits, and not
// where a spring scale is read by eye.
func (s *State) RefusedTools(j *Job, at events.Instant) []Refusal {
	w, _, open := j.expected()
	if !open {
		return nil
	}
	var out, ranges []Refusal
	fits := false
	for _, id := range s.toolsAt(j.Bench) {
		d, ok := s.registered(id)
		d.allowed = j.overridden(id)
		if !ok || w.dim() != d.Most.Dimension() {
			continue
		}
		why, other := d.misfit(&w, at)
		switch {
		case other:
		case why == "":
			fits = true
		case d.unfit(at) == "":
			ranges = append(ranges, s.refusal(&d, why))
		default:
			out = append(out, s.refusal(&d, why))
		}
	}
	if j.pulledAtArm() {
		return out
	}
	if !fits && len(out) == 0 {
		out = append(out, ranges...)
	}
	return out
}

func (s *State) refusal(d *toolDates, why string) Refusal {
	f := Refusal{Tool: d.ID, Name: s.toolName(d.ID), Why: why, Todo: "Take another tool. If there is none, a lead may let this one be used for this job; that is a deviation.", Override: true}
	if d.reg != nil && d.reg.State == events.ToolRetired {
		f.Todo, f.Override = "Take another tool.", false
	}
	return f
}

// toolsAt returns the tools that talk through a device at a bench, in the order
// of the shop file.
func (s *State) toolsAt(bench string) []string {
	var out []string
	for _, d := range s.Shop.Devices {
		if d.Bench == bench && !slices.Contains(out, d.Tool) {
			out = append(out, d.Tool)
		}
	}
	return out
}

// overrideAsked lets a lead have a refused tool used for one job.
func (t *tx) overrideAsked(r *request, d events.OverrideAsked) {
	if !t.openJob(r, d.Job) || !t.mayDecide(r, "let a refused tool be used") || !t.reasoned(r, d.Reason) {
		return
	}
	tool, ok := t.tool(d.Tool)
	if !ok {
		t.refuseTool(r, d.Tool)
		return
	}
	w, _, open := t.job.expected()
	was := tool.unfit(t.at)
	if was == "" && open && !tool.allowed {
		why, other := tool.misfit(&w, t.at)
		if other {
			t.refuse(r, "other_tool", fmt.Sprintf("%s is the wrong tool for %s: %s", t.s.toolName(d.Tool), t.job.title(w.step), why), "Take the tool that the procedure names.")
			return
		}
		was = why
	}
	switch {
	case tool.allowed:
		return // so already
	case tool.reg != nil && tool.reg.State == events.ToolRetired:
		t.refuse(r, "retired", fmt.Sprintf("%s is retired: it is never used again", t.s.toolName(d.Tool)), "Take another tool.")
		return
	case was == "":
		t.refuse(r, "not_refused", fmt.Sprintf("nothing refuses %s", t.s.toolName(d.Tool)), "Use it.")
		return
	}
	t.add(events.OverrideGiven{Tool: d.Tool, Job: d.Job, Was: was, By: r.By, Reason: d.Reason, AtUs: t.at})
	t.follow()
}

func (t *tx) refuseTool(r *request, id string) {
	t.refuse(r, "unknown_tool", fmt.Sprintf("this shop has no tool %q", id), "Name a tool of the shop file, or add it there.")
}
