package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

func newCalcRunOut() *cobra.Command {
	c := &cobra.Command{
		Use:   "runout FILE",
		Short: "Run-out from a file of angles and values: movement, eccentricity and its direction, form error",
		Long: `Each line has an angle in degrees and what the indicator showed there, parted by
a comma, a semicolon, a tab or a space. A first line of names is passed over;
lines with # are remarks; "-" reads the standard input. With one figure in a
line the readings are taken as evenly spaced round one turn.

The eccentricity is the amplitude of the first harmonic, found by least squares;
what it leaves is the form error. Half the full indicator movement is the
eccentricity only of a round part.`,
		Example: "  witnessmark calc runout flange.csv --unit mm\n  printf '0 0.038\\n90 0.043\\n180 -0.014\\n270 -0.019\\n' | witnessmark calc runout - --unit mm",
		Args:    cobra.ExactArgs(1),
		RunE:    calcRunOut,
	}
	c.Flags().String("unit", "", "unit of the readings: mm, µm, in, thou")
	return c
}

func calcRunOut(c *cobra.Command, args []string) error {
	if flag(c, "unit") == "" {
		return usageError("--unit is missing: the file's figures have none; say mm, µm, in or thou")
	}
	u, err := quantity.ParseUnit(flag(c, "unit"))
	if err != nil || u.Dimension() != quantity.DimLength {
		return usageError("--unit %q is no unit of length: say mm, µm, in or thou", flag(c, "unit"))
	}
	in := c.InOrStdin()
	if args[0] != "-" {
		f, err := os.Open(args[0])
		if err != nil {
			return fmt.Errorf("read run-out: %w", err)
		}
		defer f.Close()
		in = f
	}
	ps, even, err := readTurn(in, u)
	if err != nil {
		return usageError("%s: %v", args[0], err)
	}
	t, err := gauge.FitTurn(ps)
	if errors.Is(err, gauge.ErrTurn) {
		return usageError("%s: %v; these are %d", args[0], err, len(ps))
	}
	if err != nil {
		return err
	}
	a := calcAnswer{What: "Run-out", Formula: "r(φ) = c + a·cos φ + b·sin φ, least squares; eccentricity √(a² + b²), direction atan2(b, a)",
		Source:  "geometry; least squares by QR factorisation",
		Caution: "The maker's limits and way of measuring, local codes and licensed practice come first."}
	spaced := "by their angles"
	if even {
		spaced = "taken as evenly spaced round one turn"
	}
	a.give(pureFigure("readings", float64(t.N), spaced))
	a.result(figureOf("full indicator movement", t.Movement.Value(), u, "greatest minus least reading"),
		figureOf("eccentricity", t.Eccentricity.Value(), u, "± "+quantity.Format(quantity.Millimetres(2*t.UEccentric.Millimetres()).Value(), u, -1)+" (k = 2) from what the fit leaves"),
		figureOf("direction", t.Direction.Value(), quantity.Degree, "of the high spot"),
		figureOf("form error", t.Form.Value(), u, "greatest minus least of what the fit leaves"),
		figureOf("its standard deviation", t.FormSD.Value(), u, fmt.Sprintf("%d degrees of freedom", t.N-3)))
	if t.Form.Millimetres() > t.Eccentricity.Millimetres() {
		a.Say = append(a.Say, "The part is rather out of round than eccentric: turning it will not help.")
	}
	return a.print(c)
}

// readTurn reads lines of angle and value, or of values alone.
func readTurn(in io.Reader, u quantity.Unit) (ps []gauge.Polar, even bool, err error) {
	sc := bufio.NewScanner(in)
	var values []quantity.Length
	for n := 1; sc.Scan(); n++ {
		line := strings.TrimSpace(sc.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.FieldsFunc(line, func(r rune) bool { return strings.ContainsRune(",; \t", r) })
		var x [2]float64
		ok := len(fields) == 1 || len(fields) == 2
		for i := range min(2, len(fields)) {
			v, err := strconv.ParseFloat(fields[i], 64)
			x[i] = v
			ok = ok && err == nil && v > -1e6 && v < 1e6
		}
		switch {
		case !ok && len(ps) == 0 && len(values) == 0 && n == 1:
			continue // names
		case !ok:
			return nil, false, fmt.Errorf("line %d: %q is no angle and value: write for example \"30, 0.050\", with a decimal point", n, line)
		case len(fields) == 1:
			l, _ := quantity.Of(x[0], u).Length()
			values = append(values, l)
		default:
			l, _ := quantity.Of(x[1], u).Length()
			ps = append(ps, gauge.Polar{Angle: quantity.Degrees(x[0]), V: l})
		}
	}
	if err := sc.Err(); err != nil {
		return nil, false, err
	}
	if len(values) > 0 && len(ps) > 0 {
		return nil, false, errors.New("some lines have an angle and some have none: give all of them one, or none")
	}
	if len(values) > 0 {
		return gauge.Evenly(values), true, nil
	}
	return ps, false, nil
}
