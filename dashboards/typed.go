package dashboards

import (
	"errors"
	"fmt"
	"net/http"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	gauging "witnessmark/rules/gauge"
	"witnessmark/rules/procedure"
)

// askTyped is the form for a value that a person read from a tool by eye.
func askTyped(_ *Pages, r *http.Request, v viewer, job *rules.Job, a *askView) error {
	step, err := v.measured(job)
	if err != nil {
		return err
	}
	m := step.Measure
	a.Step, a.Title, a.Button = step.ID, "Type a value: "+m.What, "Record it"
	a.Lead = "Only for a value that was read by eye. The record says that it was typed, and by whom."
	if m.Gauge != nil {
		a.Lead = typedGuided(m.Gauge) + " " + a.Lead
	}
	if lim := limitWords(m.LSL, m.USL, v.measureUnit(m)); lim != "" {
		a.Lead = "Limits " + lim + ". " + a.Lead
	}
	for _, t := range v.st.Shop.Tools {
		if toolMeasures(&t, m) {
			a.Tools = append(a.Tools, choice{t.ID, v.toolName(t.ID), v.dueWords(&t), false})
		}
	}
	if len(a.Tools) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "The shop file names no tool that measures this.", Todo: "Put the tool into the shop file, with its range and calibration.",
			Back: a.Back, Name: "Back to the bench"}
	}
	a.Tools[0].Set = len(a.Tools) == 1
	a.ByTitle = "Who read it"
	for _, q := range v.people(person(r)) {
		if mayRead(events.Role(q.Role)) {
			a.By = append(a.By, choice{q.ID, q.Name, q.Role, q.Current})
		}
	}
	return nil
}

// typedGuided says what a typed value stands for in a guided measurement.
func typedGuided(g *gauging.Spec) string {
	switch {
	case g.Method == gauging.EndPlay:
		return "Type the whole play from stop to stop."
	case g.Streams():
		return "Type the whole movement over one turn."
	case g.Method == gauging.Backlash:
		return "Type the play at this place, as the indicator shows it."
	case g.Method == gauging.Drag && g.Arm.Millimetres() > 0:
		return "Type the force while it turns, such as 16 N, or the torque."
	case g.Method == gauging.Drag:
		return "Type the torque while it turns, not at the start."
	}
	return "Type the value that the indicator shows now."
}

func (v viewer) dueWords(t *events.Tool) string {
	_, due := v.dates(t)
	switch due {
	case "":
		return "no calibration known"
	case rules.NeverDue:
		return "calibration " + dueDay(due)
	}
	return "calibration due " + due
}

// measured returns the measure step that is being worked on.
func (v viewer) measured(job *rules.Job) (*procedure.Step, error) {
	cur, _, _ := v.current(job)
	if cur < 0 || job.Proc.Steps[cur].Measure == nil {
		return nil, &pageProblem{Status: http.StatusConflict, Text: "The step that is being worked on measures nothing.",
			Todo: "A fastener's value comes from its wrench. Type a value once its measure step has come.",
			Back: "/bench/" + job.Bench, Name: "Back to the bench"}
	}
	return &job.Proc.Steps[cur], nil
}

// toolMeasures reports whether a tool is meant for a measurement. Whether it
// is in date and its range suffices is the rules' to say.
func toolMeasures(t *events.Tool, m *procedure.MeasureSpec) bool {
	if len(m.Tools) > 0 && !slices.Contains(m.Tools, t.ID) {
		return false
	}
	if len(m.ToolKinds) > 0 {
		return slices.Contains(m.ToolKinds, string(t.Kind))
	}
	return t.Most.Dimension() == m.Unit.Dimension() || t.Most.Dimension() == quantity.DimForce && pulledAtArm(m)
}

// pulledAtArm reports whether a force may be typed for a torque: that of a
// spring scale at a known radius.
func pulledAtArm(m *procedure.MeasureSpec) bool {
	return m.Gauge != nil && m.Gauge.Method == gauging.Drag && m.Gauge.Arm.Millimetres() > 0
}

// typedReading makes the event of a typed value.
func typedReading(f form, a events.Ask) events.Data {
	e := events.ReadingTaken{Tool: f.need("tool", "Choose the tool it was read from."), Bench: a.Bench, Mode: events.ModeTyped,
		ReceivedAtUs: a.AtUs, By: a.By, Job: f.job()}
	f.step()
	text := f.need("value", "Write the value with its unit.")
	if text == "" {
		return e
	}
	v, u, err := quantity.Parse(text)
	if err != nil {
		*f.missing = append(*f.missing, unread(err))
		return e
	}
	e.Text, e.Unit, e.Value = quantity.Digits(text), u.Code(), v
	if res, err := quantity.Resolution(e.Text, u); err == nil {
		e.Resolution = res
	}
	return e
}

// unread says in words why a value could not be read.
func unread(err error) string {
	var p *quantity.ParseError
	if !errors.As(err, &p) {
		return sentence(err.Error())
	}
	return fmt.Sprintf("The value %q cannot be read: %s. %s", p.Text, p.Why, sentence(p.Want))
}

func mayRead(r events.Role) bool { return r.Works() }

// mayType refuses a typed value that cannot be for the step it was typed for:
// a value is a fact, so the rules would keep it and ask what it was.
func (p *Pages) mayType(f form, by string) (err error) {
	bench := f.get("bench")
	refuse := func(status int, text, todo string) error { return p.problemAt(bench, status, text, todo) }
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		job := st.Jobs[st.BenchJob[bench]]
		if job == nil || job.ID != f.get("job") {
			err = refuse(http.StatusConflict, "That job is not being worked on at this bench.", "Look at the bench again; the job may have been paused or handed over.")
			return
		}
		step, e := v.measured(job)
		if e != nil || step.ID != f.get("step") {
			err = refuse(http.StatusConflict, "That step is not being worked on now.", "Look at the bench again: the work has gone on.")
			return
		}
		if !slices.ContainsFunc(st.Shop.Tools, func(t events.Tool) bool { return t.ID == f.get("tool") }) && f.get("tool") != "" {
			err = refuse(http.StatusBadRequest, "The shop file names no tool "+f.get("tool")+".", "Choose a tool from the list.")
			return
		}
		if !slices.ContainsFunc(st.Shop.People, func(q events.Person) bool { return q.ID == by && mayRead(q.Role) }) {
			err = refuse(http.StatusBadRequest, "Only a technician or a lead of this shop may type a value.", "Choose who read it.")
			return
		}
		if val, u, e := quantity.Parse(f.get("value")); e == nil && val.Dimension() != step.Measure.Unit.Dimension() && !(val.Dimension() == quantity.DimForce && pulledAtArm(step.Measure)) {
			err = refuse(http.StatusBadRequest, fmt.Sprintf("%s is a unit of %s, and this step measures %s.", u.Symbol(), val.Dimension(), step.Measure.What),
				"Write the value in a unit of "+step.Measure.Unit.Dimension().String()+", such as "+step.Measure.Unit.Symbol()+".")
		}
	})
	return err
}
