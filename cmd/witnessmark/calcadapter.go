package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/fastening"
)

func newCalcExtension() *cobra.Command {
	c := &cobra.Command{
		Use:     "extension",
		Aliases: []string{"crowfoot", "adapter"},
		Short:   "The setting of a wrench with a crowfoot or an extension: in line, angled, reversed",
		Long: `Lengths are measured from the axis of the drive square: the wrench's to the
middle of the grip, where the hand pulls; the adapter's to the fastener. The
angle is 0 in line, away from the handle; 90 at a right angle, where nothing
changes; 180 back towards the handle. Words do as well: line, right, reversed.

Pull at the middle of the grip, at a right angle to the wrench: the correction
holds for that place only. Some wrenches measure at the drive and allow no
adapter, or state their own correction: their maker's instructions come first.`,
		Example: `  witnessmark calc extension --torque "45 N·m" --wrench "400 mm" --adapter "60 mm"
  witnessmark calc extension --torque "300 lbf·in" --wrench "10 in" --adapter "4 in" --angle 45°
  witnessmark calc extension --setting "60 lbf·in" --wrench "12 in" --adapter "2 in" --angle reversed`,
		Args: cobra.NoArgs,
		RunE: calcExtension,
	}
	c.Flags().String("torque", "", "what the fastener is to get, with its unit")
	c.Flags().String("setting", "", "or what the wrench was set to: gives what the fastener got")
	c.Flags().String("wrench", "", `length of the wrench: "400 mm", "16 in"`)
	c.Flags().String("adapter", "", `length of the adapter: "60 mm"`)
	c.Flags().String("angle", "line", "angle of the adapter: line, right, reversed, or degrees such as 45°")
	return c
}

func angleFlag(c *cobra.Command) (quantity.Angle, error) {
	s := strings.ToLower(strings.TrimSpace(flag(c, "angle")))
	switch s {
	case "", "line", "in line", "inline", "straight", "0":
		return quantity.Degrees(0), nil
	case "right", "right angle", "square", "90":
		return quantity.Degrees(90), nil
	case "reversed", "reverse", "back", "180":
		return quantity.Degrees(180), nil
	}
	v, _, err := quantity.Parse(s)
	a, ok := v.Angle()
	if err != nil || !ok {
		return a, usageError(`--angle %q: write line, right, reversed, or degrees such as "45°"`, s)
	}
	return a, nil
}

func calcExtension(c *cobra.Command, _ []string) error {
	wv, wu, err := needed(c, "wrench", quantity.DimLength)
	if err != nil {
		return err
	}
	av, au, err := needed(c, "adapter", quantity.DimLength)
	if err != nil {
		return err
	}
	angle, err := angleFlag(c)
	if err != nil {
		return err
	}
	tq, tu, byTorque, err := quantityFlag(c, "torque", quantity.DimTorque)
	if err != nil {
		return err
	}
	set, su, bySetting, err := quantityFlag(c, "setting", quantity.DimTorque)
	if err != nil {
		return err
	}
	if byTorque == bySetting {
		return usageError("give one of --torque and --setting\nsee '%s --help'", c.CommandPath())
	}
	x := fastening.Adapter{Angle: angle}
	x.Wrench, _ = wv.Length()
	x.Length, _ = av.Length()
	e, err := x.Effective()
	if err != nil {
		return usageError("%v", err)
	}
	a := calcAnswer{Formula: fastening.AdapterForm, Source: fastening.AdapterSource,
		Caution: "Pull at the middle of the grip, at a right angle. The maker's figure, the wrench maker's instructions, local codes and licensed practice come first."}
	a.give(figureOf("wrench L", wv, wu, "drive square to the middle of the grip"), figureOf("adapter A", av, au, "drive square to the fastener"), figureOf("angle α", angle.Value(), quantity.Degree, ""))
	if byTorque {
		t, _ := tq.Torque()
		got, err := x.Setting(t)
		if err != nil {
			return usageError("%v", err)
		}
		a.What = fmt.Sprintf("Setting for %s at the fastener", quantity.Format(tq, tu, -1))
		a.give(figureOf("torque T", tq, tu, "at the fastener"))
		a.result(figureOf("setting", got.Value(), tu, "", others(tu)...))
		a.ratio(got, t)
	} else {
		s, _ := set.Torque()
		got, err := x.AtFastener(s)
		if err != nil {
			return usageError("%v", err)
		}
		a.What = fmt.Sprintf("Torque at the fastener for a setting of %s", quantity.Format(set, su, -1))
		a.Formula = "T = setting·(L + A·cos α)/L"
		a.give(figureOf("setting", set, su, "of the wrench"))
		a.result(figureOf("torque", got.Value(), su, "at the fastener", others(su)...))
		a.ratio(s, got)
	}
	a.result(figureOf("effective length", e.Value(), wu, "L + A·cos α"))
	return a.print(c)
}

// ratio adds the setting as a share of the torque, and says what it means.
func (a *calcAnswer) ratio(setting, torque quantity.Torque) {
	x := setting.NewtonMetres() / torque.NewtonMetres()
	a.result(shareFigure("setting / torque", x, ""))
	switch {
	case x > 1.0005:
		a.Say = append(a.Say, "The adapter points back: the setting is above the torque. Check that the wrench's range allows it.")
	case x > 0.9995:
		a.Say = append(a.Say, "At this angle nothing is to be corrected.")
	}
}

// others are the units to show beside one.
func others(u quantity.Unit) []quantity.Unit {
	if u == quantity.NewtonMetre {
		return []quantity.Unit{quantity.PoundFoot}
	}
	return []quantity.Unit{quantity.NewtonMetre}
}

func newCalcConvert() *cobra.Command {
	return &cobra.Command{
		Use:   "convert QUANTITY [UNIT]...",
		Short: "One quantity in other units: torque, length, force, angle",
		Long: `Without a unit to convert to, all of the same kind are printed. "26 lb" and
"35 nm" are refused: they could mean two things.`,
		Example: "  witnessmark calc convert \"26 lbf·ft\"\n  witnessmark calc convert \"26 ft-lb\" N·m kgf·cm\n  witnessmark calc convert \".006 in\" mm --json",
		Args:    cobra.MinimumNArgs(1),
		RunE:    calcConvert,
	}
}

func calcConvert(c *cobra.Command, args []string) error {
	v, u, err := quantity.Parse(args[0])
	if err != nil {
		return usageError("%v", err)
	}
	var to []quantity.Unit
	for _, s := range args[1:] {
		x, err := quantity.ParseUnit(s)
		if err != nil {
			return usageError("%v", err)
		}
		if x.Dimension() != v.Dimension() {
			return usageError("%s is a unit of %s, and %s is a %s: choose another unit", x.Symbol(), x.Dimension(), args[0], v.Dimension())
		}
		to = append(to, x)
	}
	if len(to) == 0 {
		for _, x := range quantity.Units() {
			if x.Dimension() == v.Dimension() && x != u {
				to = append(to, x)
			}
		}
	}
	a := calcAnswer{What: quantity.Format(v, u, -1) + " in other units", Formula: "multiply by the ratio of the units",
		Source: "by definition: 1 lb = 0.45359237 kg, g_n = 9.80665 m/s², 1 ft = 0.3048 m, 1 in = 25.4 mm (NIST SP 811, appendix B)"}
	a.give(figureOf("given", v, u, ""))
	for _, x := range to {
		f := figureOf(x.Symbol(), v, x, fmt.Sprintf("× %.10g", quantity.Of(1, u).In(x)))
		f.Text = fmt.Sprintf("%.8g %s", v.In(x), x.Symbol())
		a.result(f)
	}
	return a.print(c)
}
