package main

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
	"witnessmark/rules/procedure"
	"witnessmark/simulator"
)

// benchTools returns, by kind, the tools that a bench's devices bring, in the
// order of the shop file.
func benchTools(shop events.Shop, bench string) map[events.ToolKind][]events.Tool {
	tools := map[events.ToolKind][]events.Tool{}
	for _, d := range shop.Devices {
		for _, t := range shop.Tools {
			if d.Bench == bench && t.ID == d.Tool {
				tools[t.Kind] = append(tools[t.Kind], t)
			}
		}
	}
	return tools
}

// planWrench returns the wrench that a technician takes for a joint: where the
// number of pulls is not evidence enough the one that tells most and has the
// range, else the bench's first.
func planWrench(j *procedure.Joint, wrenches []events.Tool) (events.Tool, bool) {
	if len(wrenches) == 0 {
		return events.Tool{}, false
	}
	if j.Evidence == events.Counted {
		return wrenches[0], true
	}
	for _, t := range wrenches {
		if t.Reports.Trace && covers(t, j) {
			return t, true
		}
	}
	return wrenches[0], true
}

func covers(t events.Tool, j *procedure.Joint) bool {
	for _, p := range j.Passes {
		if !(t.Least.Base() <= p.Target.Base() && p.Target.Base() <= t.Most.Base()) {
			return false
		}
	}
	return true
}

// planSteps tells a simulated technician what a procedure asks for.
func planSteps(p *procedure.Procedure, tools map[events.ToolKind][]events.Tool) ([]simulator.Step, error) {
	var steps []simulator.Step
	for i := range p.Steps {
		st, err := planStep(p, &p.Steps[i], tools)
		if err != nil {
			return nil, fmt.Errorf("plan %s step %s: %w", p.ID, p.Steps[i].ID, err)
		}
		planAttested(p, i, &st)
		steps = append(steps, st)
	}
	return steps, nil
}

func planStep(p *procedure.Procedure, s *procedure.Step, tools map[events.ToolKind][]events.Tool) (simulator.Step, error) {
	switch s.Kind {
	case procedure.Torque:
		tool, ok := planWrench(s.Joint, tools[events.ToolTorqueWrench])
		if !ok {
			return simulator.Step{}, fmt.Errorf("the bench has no torque wrench")
		}
		return simulator.Step{ID: s.ID, Kind: simulator.Torque, Tool: tool.ID, Strict: s.Joint.Strict, Passes: planPasses(s.Joint, tool)}, nil
	case procedure.Measure, procedure.Shim:
		if s.Measure == nil {
			break // a shim step that is attested by a word
		}
		indicators := tools[events.ToolDialIndicator]
		if len(indicators) == 0 {
			return simulator.Step{}, fmt.Errorf("the bench has no dial indicator")
		}
		low, high := s.Measure.LSL, s.Measure.USL
		if low.IsZero() {
			low = high.WithBase(0)
		}
		st := simulator.Step{ID: s.ID, Kind: simulator.Measure, Tool: indicators[0].ID, Low: low, High: high}
		if g := s.Measure.Gauge; g != nil && (g.Method == gauge.EndPlay || g.Method == gauge.Backlash || g.Method == gauge.Difference || g.Method == gauge.RunOut && g.Places == 0) {
			st.How, st.Places, st.Cycles, st.Least = simulator.How(g.Method), g.Places, g.Cycles, g.Judge == gauge.JudgeLeast
		}
		if x := s.Shim; x != nil {
			if x.Sides != nil || x.Does == procedure.MorePreload {
				return st, fmt.Errorf("the simulated technician fits one stack that changes a play")
			}
			st.Kind, st.Stack = simulator.Shim, simulator.Stack{Under: x.From, Widens: x.Does == procedure.MorePlay}
		}
		return st, nil
	}
	if st, ok, err := planParts(p, s, tools); ok || err != nil {
		return st, err
	}
	return simulator.Step{ID: s.ID, Kind: simulator.Confirm, Answer: planAnswer(s.Statement)}, nil
}

// planPasses leaves the closing round out where the wrench tells the angle: it
// is for those that tell torque alone.
func planPasses(j *procedure.Joint, wrench events.Tool) []simulator.Pass {
	var passes []simulator.Pass
	for _, p := range j.Passes {
		if p.Closing && wrench.Reports.Angle {
			continue
		}
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
		return "2.1"
	}
	return "yes"
}

// model returns which emulated tool reads with a profile.
func model(profile string) (simulator.Model, error) {
	for _, m := range []simulator.Model{simulator.OrrinK2, simulator.VelmS5, simulator.TarnT9, simulator.PinnD3, simulator.SkerryF2, simulator.QuarleP8} {
		if string(m) == profile {
			return m, nil
		}
	}
	return "", fmt.Errorf("no emulated tool speaks profile %q: orrin-k2, velm-s5, tarn-t9, pinn-d3, skerry-f2 and quarle-p8 do", profile)
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
		if m != simulator.PinnD3 && m != simulator.SkerryF2 && m != simulator.QuarleP8 {
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
