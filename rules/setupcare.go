package rules

import (
	"math"
	"strings"

	"witnessmark/events"
	"witnessmark/rules/calibration"
)

// MostMonths is the longest interval between calibrations that a tool may
// have. Our choice.
const MostMonths = 240

// checkRegister looks at what the register says of a tool beside its range.
func checkRegister(t *events.Tool, bad func(string, ...any)) {
	if t.Class != "" {
		if _, err := calibration.ParseClass(t.Class); err != nil || t.Kind != events.ToolTorqueWrench && t.Kind != events.ToolTorqueTester {
			bad("tool %q: class %q: want a type and class of ISO 6789-1 such as I C or II A, of a torque tool", t.ID, t.Class)
		}
	}
	if !(t.MaxDeviation >= 0 && t.MaxDeviation <= 0.5) {
		bad("tool %q: max_deviation %v: want a share from 0 to 0.5", t.ID, t.MaxDeviation)
	}
	for _, v := range []struct {
		name  string
		value float64
		wrong bool
	}{
		{"resolution", t.Resolution.Base(), !t.Resolution.IsZero() && t.Resolution.Dimension() != t.Most.Dimension()},
		{"max_error", t.MaxError.Base(), !t.MaxError.IsZero() && t.MaxError.Dimension() != t.Most.Dimension()},
	} {
		if v.wrong || math.IsNaN(v.value) || v.value < 0 || math.IsInf(v.value, 0) {
			bad("tool %q: its %s wants a value of the kind that it measures, above zero", t.ID, v.name)
		}
	}
	if t.Reference && t.Certificate == "" {
		bad("tool %q is a reference: name its certificate", t.ID)
	}
	if p := period(t); p.Months > MostMonths || p.Cycles > 100_000_000 {
		bad("tool %q: interval of %d months or %d cycles: want at most %d months and 100,000,000 cycles", t.ID, p.Months, p.Cycles, MostMonths)
	}
}

// checkSerials looks for two tools with one serial number: one of them would be
// calibrated and the other used.
func checkSerials(tools []events.Tool, bad func(string, ...any)) {
	seen := map[string]string{}
	for i := range tools {
		key := strings.ToUpper(strings.TrimSpace(tools[i].Serial))
		if key == "" {
			continue
		}
		if other, there := seen[key]; there {
			bad("tools %q and %q have one serial number, %q: look at the tools and give each its own", other, tools[i].ID, tools[i].Serial)
		}
		seen[key] = tools[i].ID
	}
}
