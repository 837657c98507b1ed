package main

import (
	"fmt"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// assumedURel is the expanded uncertainty (k = 2), as a share of the reading,
// of a tool of which the stream tells none. Assumed, no source: between the 1 %
// of good electronic tools and the 4 % that ISO 6789-1 allows most.
const assumedURel = 0.02

var (
	headFields = []string{"stream", "tools", "job", "start"}
	toolFields = []string{"tool", "kind", "unit", "resolution", "capacity", "least", "threshold", "counter", "angle_resolution", "duration", "trace_rate", "u_rel"}
	jobFields  = []string{"id", "unit_serial"}
)

// readHead reads the first record.
func (s *stream) readHead(text []byte, line int) error {
	o, err := readObject(text)
	if err != nil {
		return lineNote{Line: line, Count: 1, Text: err.Error(), Todo: `the first record is {"stream":1,"tools":[…],…}`}
	}
	o.line = line
	form, ok, err := o.number("stream")
	switch {
	case err != nil:
		return err
	case !ok:
		return o.wrong("stream", "this is no first record of a stream", `begin with {"stream":1,"tools":[…],…}`)
	case form != 1:
		return o.wrong("stream", fmt.Sprintf("form %v of a stream is not known", form), "write form 1, or use a newer version of the program")
	}
	s.unknown(o, "", headFields)
	if err := s.headStart(o); err != nil {
		return err
	}
	if err := s.headJob(o); err != nil {
		return err
	}
	return s.headTools(o)
}

func (s *stream) headStart(o object) error {
	text, err := o.optionalText("start")
	if err != nil {
		return err
	}
	if text == "" {
		text = "2000-01-01T00:00:00Z"
		s.warn(o.line, "start", "there is no start", "write it as 2026-11-25T08:00:00Z; taken as "+text)
	}
	start, err := time.Parse(time.RFC3339, text)
	if err != nil || start.Year() < 1971 || start.Year() > 9000 {
		return o.wrong("start", fmt.Sprintf("%q is no instant", text), "write it as 2026-11-25T08:00:00Z")
	}
	s.head.start = start.UTC()
	return nil
}

func (s *stream) headJob(o object) error {
	job := object{line: o.line, path: "job."}
	if o.has("job") {
		var err error
		if job, err = o.object("job"); err != nil {
			return err
		}
		s.unknown(job, "job.", jobFields)
	}
	for _, f := range []struct {
		name, instead string
		into          *string
	}{{"id", "job-1", &s.head.job}, {"unit_serial", "unknown", &s.head.unitSerial}} {
		text, err := job.optionalText(f.name)
		if err != nil {
			return err
		}
		if text == "" {
			text = f.instead
			s.warn(o.line, "job."+f.name, "it is missing", fmt.Sprintf("taken as %q", text))
		}
		*f.into = text
	}
	return nil
}

func (s *stream) headTools(o object) error {
	list, err := o.objects("tools")
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return o.wrong("tools", "no tool is named", `write "tools":[{"tool":"K2","unit":"N·m",…}]`)
	}
	for _, p := range list {
		t, err := s.headTool(p)
		if err != nil {
			return err
		}
		if s.tool(t.ID) != nil {
			return p.wrong("tool", fmt.Sprintf("tool %q is there twice", t.ID), "name each tool once")
		}
		s.head.tools = append(s.head.tools, t)
	}
	return nil
}

func (s *stream) headTool(o object) (t streamTool, err error) {
	s.unknown(o, o.path, toolFields)
	if t.ID, err = o.text("tool"); err != nil {
		return t, err
	}
	t.Name, t.Serial = t.ID, t.ID
	if t.unit, t.told, err = o.unit("unit"); err != nil {
		return t, err
	}
	if !t.told {
		t.unit = quantity.NewtonMetre
		s.warn(o.line, o.path+"unit", "the tool tells no unit", "its values are taken as N·m")
	}
	if t.Kind, err = o.toolKind(t.unit); err != nil {
		return t, err
	}
	if err := s.headRange(o, &t); err != nil {
		return t, err
	}
	if err := o.reports(&t); err != nil {
		return t, err
	}
	// The stream tells of no calibration; a tool in date is what the rules want.
	day := func(years int) string { return s.head.start.AddDate(years, 0, 0).Format(time.DateOnly) }
	t.Calibrated, t.Due = day(-1), day(100)
	return t, nil
}

// toolKind reads a tool's kind; without one its unit tells.
func (o object) toolKind(u quantity.Unit) (events.ToolKind, error) {
	kind, err := o.optionalText("kind")
	if err != nil {
		return "", err
	}
	switch k := events.ToolKind(kind); k {
	case events.ToolTorqueWrench, events.ToolTorqueTester, events.ToolDialIndicator, events.ToolPressGauge, events.ToolSpringScale:
		return k, nil
	case "":
	default:
		return "", o.wrong("kind", fmt.Sprintf("%q is no kind of tool", kind), "write torque_wrench, torque_tester, dial_indicator, press_gauge or spring_scale, or leave it out")
	}
	switch u.Dimension() {
	case quantity.DimTorque:
		return events.ToolTorqueWrench, nil
	case quantity.DimLength:
		return events.ToolDialIndicator, nil
	case quantity.DimForce:
		return events.ToolPressGauge, nil
	}
	return "", o.wrong("unit", fmt.Sprintf("%s is a unit of %s", u.Symbol(), u.Dimension()), "write a unit of torque, length or force")
}

// headRange reads a tool's range and uncertainty.
func (s *stream) headRange(o object, t *streamTool) error {
	least, _, err := o.number("least")
	if err != nil {
		return err
	}
	most, ok, err := o.number("capacity")
	if err != nil {
		return err
	}
	if !ok {
		most = least + 1e6
		s.warn(o.line, o.path+"capacity", "it is missing", "write the upper end of the tool's range; no pull is too great for it now")
	}
	if !(least >= 0 && least < most) {
		return o.wrong("capacity", fmt.Sprintf("a range from %v to %v", least, most), "write a capacity above least")
	}
	t.Least, t.Most = quantity.Of(least, t.unit), quantity.Of(most, t.unit)
	if t.URel, ok, err = o.number("u_rel"); err != nil {
		return err
	}
	if !ok {
		t.URel = assumedURel
		s.warn(o.line, o.path+"u_rel", "it is missing", fmt.Sprintf("write the expanded uncertainty (k = 2) as a share of the reading; taken as %v", assumedURel))
	}
	if !(t.URel >= 0 && t.URel <= 1) {
		return o.wrong("u_rel", fmt.Sprintf("%v", t.URel), "write a share from 0 to 1: 0.01 is 1 %")
	}
	return nil
}

// reports reads what the tool tells with each pull.
func (o object) reports(t *streamTool) error {
	threshold, ok, err := o.number("threshold")
	if err != nil {
		return err
	}
	if ok {
		t.Reports.Threshold = quantity.Of(threshold, t.unit)
	}
	step, ok, err := o.number("angle_resolution")
	if err != nil {
		return err
	}
	if ok {
		t.Reports.Angle, t.Reports.AngleStep = true, quantity.Degrees(step).Value()
	}
	if t.Reports.Duration, _, err = o.truth("duration"); err != nil {
		return err
	}
	if _, t.Reports.Trace, err = o.number("trace_rate"); err != nil {
		return err
	}
	resolution, ok, err := o.number("resolution")
	if err != nil {
		return err
	}
	if ok && resolution > 0 {
		t.Resolution = quantity.Of(resolution, t.unit)
	}
	if t.counter, err = o.optionalText("counter"); err != nil {
		return err
	}
	if t.counter != "" && t.counter != "cycles" && t.counter != "sent" {
		return o.wrong("counter", fmt.Sprintf("%q", t.counter), `write "cycles", "sent", or null if the tool has none`)
	}
	t.Reports.CountsSent, t.Reports.CountsCycles = t.counter == "sent", t.counter == "cycles"
	return nil
}
