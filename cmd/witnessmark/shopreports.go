package main

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/ingest/profile"
)

// parseReports reads what a tool tells with each pull:
//
//	reports: {angle: true, angle_step: 0.1 deg, duration: true, trace: true, threshold: 5 N·m, counter: cycles}
//
// late: true is for a tool whose readings may come long after their pulls.
func parseReports(n *yaml.Node, kind events.ToolKind) (events.ToolReports, error) {
	var out events.ToolReports
	if n.Kind == 0 {
		return out, nil
	}
	var f struct {
		Angle, Duration, Trace, Late bool
		AngleStep                    string `yaml:"angle_step"`
		Threshold                    string
		Counter                      string
	}
	if err := knownKeys(n, "angle", "angle_step", "duration", "trace", "threshold", "counter", "late"); err != nil {
		return out, err
	}
	if err := n.Decode(&f); err != nil {
		return out, fmt.Errorf("reports: %w", err)
	}
	if kind == events.ToolDialIndicator || kind == events.ToolPressGauge || kind == events.ToolSpringScale {
		return out, fmt.Errorf("reports: a %s makes no pulls; leave it out", strings.ReplaceAll(string(kind), "_", " "))
	}
	out.Angle, out.Duration, out.Trace = f.Angle || f.AngleStep != "", f.Duration, f.Trace
	out.Late = f.Late
	var err error
	if out.AngleStep, err = reportsValue("angle_step", f.AngleStep, quantity.DimAngle, "0.1 deg"); err != nil {
		return out, err
	}
	if out.Threshold, err = reportsValue("threshold", f.Threshold, quantity.DimTorque, "5 N·m"); err != nil {
		return out, err
	}
	switch f.Counter {
	case "", "none":
	case "cycles":
		out.CountsCycles = true
	case "sent":
		out.CountsSent = true
	default:
		return out, fmt.Errorf("reports: counter %q: want cycles (it numbers every pull), sent (only what it sends) or none", f.Counter)
	}
	return out, nil
}

func knownKeys(n *yaml.Node, known ...string) error {
	if n.Kind != yaml.MappingNode {
		return fmt.Errorf("reports: want keys and values, such as {angle: true, angle_step: 0.1 deg, counter: cycles}")
	}
	for i := 0; i < len(n.Content); i += 2 {
		if k := n.Content[i].Value; !strings.Contains(" "+strings.Join(known, " ")+" ", " "+k+" ") {
			return fmt.Errorf("reports: %q is not known here: want %s", k, strings.Join(known, ", "))
		}
	}
	return nil
}

func reportsValue(key, s string, dim quantity.Dimension, such string) (quantity.Value, error) {
	if s == "" {
		return quantity.Value{}, nil
	}
	v, _, err := quantity.Parse(s)
	if err != nil {
		return v, fmt.Errorf("reports: %s: %w", key, err)
	}
	if v.Dimension() != dim || !(v.Base() > 0) {
		return v, fmt.Errorf("reports: %s %q: want a value above zero, such as %s", key, s, such)
	}
	return v, nil
}

// deriveReports fills in, for tools of which the shop file says nothing, what
// their profile tells. One that cannot be opened here is told of when its
// device is used.
func deriveReports(s *events.Shop, unsaid map[string]bool) {
	for _, d := range s.Devices {
		if !unsaid[d.Tool] {
			continue
		}
		p, err := profile.Open(d.Profile)
		if err != nil {
			continue
		}
		for i := range s.Tools {
			if t := &s.Tools[i]; t.ID == d.Tool && (t.Kind == events.ToolTorqueWrench || t.Kind == events.ToolTorqueTester) {
				t.Reports = p.Reports()
			}
		}
	}
}

// reportsText tells people what a tool reports: "torque, angle in steps of
// 0.1°, duration, whole trace; counts cycles".
func reportsText(r events.ToolReports) string {
	parts := []string{"torque"}
	if r.Angle {
		angle := "angle"
		if !r.AngleStep.IsZero() {
			angle += " in steps of " + quantity.Format(r.AngleStep, quantity.Degree, -1)
		}
		parts = append(parts, angle)
	}
	if r.Duration {
		parts = append(parts, "duration")
	}
	if r.Trace {
		parts = append(parts, "whole trace")
	}
	text := strings.Join(parts, ", ")
	if !r.Threshold.IsZero() {
		text += " from " + quantity.Format(r.Threshold, quantity.NewtonMetre, -1) + " on"
	}
	switch {
	case r.CountsCycles:
		text += "; its counter numbers every pull"
	case r.CountsSent:
		text += "; its counter numbers what it sends"
	}
	return text
}
