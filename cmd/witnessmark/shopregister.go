package main

import (
	"fmt"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// registerFields is what the register says of a tool beside its range and its
// dates. All of it may be left out.
type registerFields struct {
	Class        yaml.Node `yaml:"class"`
	Design       string    `yaml:"design"`
	Resolution   yaml.Node `yaml:"resolution"`
	Owner        string    `yaml:"owner"`
	Place        string    `yaml:"place"`
	Reference    bool      `yaml:"reference"`
	Certificate  string    `yaml:"certificate"`
	MaxDeviation yaml.Node `yaml:"max_deviation"`
	MaxError     yaml.Node `yaml:"max_error"`
	LimitSource  string    `yaml:"limit_source"`
	Interval     struct {
		Months yaml.Node `yaml:"months"`
		Cycles yaml.Node `yaml:"cycles"`
	} `yaml:"interval"`
}

// fill puts the fields into a tool. Errors name the line.
func (f *registerFields) fill(t *events.Tool, id string, bad func(string, ...any)) {
	at := func(n *yaml.Node, err error) {
		if err != nil {
			bad("line %d: tool %q: %v", n.Line, id, err)
		}
	}
	t.Design, t.Owner, t.Place, t.Reference, t.Certificate, t.LimitSource = f.Design, f.Owner, f.Place, f.Reference, f.Certificate, f.LimitSource
	if t.Class = f.Class.Value; t.Class != "" {
		_, err := calibration.ParseClass(t.Class)
		at(&f.Class, err)
	}
	var err error
	t.Resolution, err = optionalValue("resolution", f.Resolution.Value)
	at(&f.Resolution, err)
	t.MaxError, err = optionalValue("max_error", f.MaxError.Value)
	at(&f.MaxError, err)
	t.MaxDeviation, err = maxDeviation(f.MaxDeviation.Value)
	at(&f.MaxDeviation, err)
	t.Interval.Months, err = bound("months", f.Interval.Months.Value)
	at(&f.Interval.Months, err)
	t.Interval.Cycles, err = bound("cycles", f.Interval.Cycles.Value)
	at(&f.Interval.Cycles, err)
	if t.Reference && t.Certificate == "" {
		bad("tool %q is a reference: name its certificate, such as certificate: TR-2210", id)
	}
}

func optionalValue(name, s string) (v quantity.Value, err error) {
	if s == "" {
		return v, nil
	}
	if v, _, err = quantity.Parse(s); err != nil {
		return v, fmt.Errorf("%s: %w", name, err)
	}
	return v, nil
}

// maxDeviation reads "3 %".
func maxDeviation(s string) (float64, error) {
	if s == "" {
		return 0, nil
	}
	num, ok := strings.CutSuffix(strings.TrimSpace(s), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
	if !ok || err != nil || !(v > 0 && v <= 50) {
		return 0, fmt.Errorf("max_deviation %q: want per cent of the reading, such as 3 %%", s)
	}
	return v / 100, nil
}

// bound reads a number of months or cycles, or none; nothing is 0: as usual.
func bound(name, s string) (int, error) {
	switch s {
	case "":
		return 0, nil
	case "none":
		return -1, nil
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		return 0, fmt.Errorf("interval: %s %q: want a whole number above zero, or none", name, s)
	}
	return n, nil
}

// checkSerials looks for two tools with one serial number: one of them would be
// calibrated and the other used.
func checkSerials(tools []events.Tool, bad func(string, ...any)) {
	seen := map[string]string{}
	for _, t := range tools {
		key := strings.ToUpper(strings.TrimSpace(t.Serial))
		if other, there := seen[key]; there && key != "" {
			bad("tools %q and %q have one serial number, %q: look at the tools and give each its own", other, t.ID, t.Serial)
		}
		seen[key] = t.ID
	}
}
