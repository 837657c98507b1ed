package main

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/simulator"
)

// benchTools returns, by kind, the tool that a bench's devices bring.
func benchTools(shop events.Shop, bench string) map[events.ToolKind]string {
	kind := map[string]events.ToolKind{}
	for _, t := range shop.Tools {
		kind[t.ID] = t.Kind
	}
	tools := map[events.ToolKind]string{}
	for _, d := range shop.Devices {
		if d.Bench == bench && tools[kind[d.Tool]] == "" {
			tools[kind[d.Tool]] = d.Tool
		}
	}
	return tools
}

// planSteps tells a simulated technician what a procedure asks for.
func planSteps(p *procedure.Procedure, tools map[events.ToolKind]string) ([]simulator.Step, error) {
	var steps []simulator.Step
	for i := range p.Steps {
		st, err := planStep(&p.Steps[i], tools)
		if err != nil {
			return nil, fmt.Errorf("plan %s step %s: %w", p.ID, p.Steps[i].ID, err)
		}
		steps = append(steps, st)
	}
	return steps, nil
}

func planStep(s *procedure.Step, tools map[events.ToolKind]string) (simulator.Step, error) {
	switch s.Kind {
	case procedure.Torque:
		tool := tools[events.ToolTorqueWrench]
		if tool == "" {
			return simulator.Step{}, fmt.Errorf("the bench has no torque wrench")
		}
		return simulator.Step{ID: s.ID, Kind: simulator.Torque, Tool: tool, Strict: s.Joint.Strict, Passes: planPasses(s.Joint)}, nil
	case procedure.Measure:
		tool := tools[events.ToolDialIndicator]
		if tool == "" {
			return simulator.Step{}, fmt.Errorf("the bench has no dial indicator")
		}
		low, high := s.Measure.LSL, s.Measure.USL
		if low.IsZero() {
			low = high.WithBase(0)
		}
		return simulator.Step{ID: s.ID, Kind: simulator.Measure, Tool: tool, Low: low, High: high}, nil
	}
	return simulator.Step{ID: s.ID, Kind: simulator.Confirm, Answer: planAnswer(s.Statement)}, nil
}

func planPasses(j *procedure.Joint) []simulator.Pass {
	var passes []simulator.Pass
	for _, p := range j.Passes {
		q := simulator.Pass{Target: p.Target, Low: p.LSL, High: p.USL, Loose: p.Loose, Unit: p.Unit}
		for _, i := range p.Order {
			q.Fasteners = append(q.Fasteners, j.Fasteners[i].ID)
		}
		passes = append(passes, q)
	}
	return passes
}

// planAnswer is what the simulated technician writes: a figure where the
// statement ends by asking for one.
func planAnswer(statement string) string {
	if strings.HasSuffix(strings.TrimSpace(statement), ":") {
		return "1.52"
	}
	return "yes"
}

// model returns which emulated tool reads with a profile.
func model(profile string) (simulator.Model, error) {
	for _, m := range []simulator.Model{simulator.OrrinK2, simulator.VelmS5, simulator.PinnD3} {
		if string(m) == profile {
			return m, nil
		}
	}
	return "", fmt.Errorf("no emulated tool speaks profile %q: orrin-k2, velm-s5 and pinn-d3 do", profile)
}

// toolSpecs describes the emulated tools of a shop. Wrenches are set to the
// unit in which the procedure of their bench states its targets.
func toolSpecs(shop events.Shop, units map[string]quantity.Unit) ([]simulator.ToolSpec, error) {
	var specs []simulator.ToolSpec
	for _, d := range shop.Devices {
		m, err := model(d.Profile)
		if err != nil {
			return nil, err
		}
		spec := simulator.ToolSpec{ID: d.Tool, Model: m, Counter: 1}
		if m != simulator.PinnD3 {
			spec.Unit = units[d.Bench]
		}
		specs = append(specs, spec)
	}
	return specs, nil
}

// torqueUnit is the unit in which a procedure states its first target.
func torqueUnit(p *procedure.Procedure) quantity.Unit {
	for _, s := range p.Steps {
		if s.Joint != nil {
			return s.Joint.Passes[0].Unit
		}
	}
	return quantity.NewtonMetre
}
