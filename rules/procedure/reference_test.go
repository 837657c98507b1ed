package procedure

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// reference reads a table of published check values; columns by name.
func reference(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../../shared/reference", name))
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data: %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("read %s: %d rows, %v", name, len(rows), err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, col := range rows[0] {
			m[col] = row[i]
		}
		out = append(out, m)
	}
	return out
}

// The torque ranges of FAA AC 43.13-1B (1998), Table 7-1, in lbf·in, as the
// limits of a procedure. The factor by hand, from the definitions (NIST SP
// 811): 0.45359237 kg × 9.80665 m/s² × 0.0254 m = 0.11298483 N·m.
func TestTorqueRangesOfTheHandbook(t *testing.T) {
	const inLb = 0.45359237 * 9.80665 * 0.0254
	checked := 0
	for _, row := range reference(t, "torque_tables.csv") {
		if row["basis"] != "found" {
			continue
		}
		for _, nut := range []string{"tension", "shear"} {
			low, high := row[nut+"_nut_min_lbf_in"], row[nut+"_nut_max_lbf_in"]
			p := mustParse(t, ofNoClass(`- {ring: {count: 4, diameter: 200}}`, fmt.Sprintf(`
order: cross
passes:
  - {name: final, limits: {low: %s in-lb, high: %s lbf·in}}
`, low, high)))
			pass := p.Steps[0].Joint.Passes[0]
			lo, hi := decimal(t, low)*inLb, decimal(t, high)*inLb
			for _, c := range []struct {
				name      string
				got, want float64
			}{{"LSL", pass.LSL.Base(), lo}, {"target", pass.Target.Base(), (lo + hi) / 2}, {"USL", pass.USL.Base(), hi}} {
				if math.Abs(c.got-c.want) > 1e-12*c.want {
					t.Errorf("%s %s %s nut: %s %.6f N·m, want %.6f", row["id"], row["thread"], nut, c.name, c.got, c.want)
				}
			}
			checked++
		}
	}
	if checked < 40 {
		t.Errorf("checked %d ranges, want 20 threads with 2 each", checked)
	}
}

func decimal(t *testing.T, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// One range all by hand: 1/4-28 with a tension nut, 50 to 70 lbf·in (FAA AC
// 43.13-1B, Table 7-1), is 5.649 to 7.909 N·m.
func TestOneTorqueRangeByHand(t *testing.T) {
	p := mustParse(t, ofNoClass(`- points: [{x: 0, y: 0}]`, `
order: cross
passes:
  - {name: final, limits: {low: 50 in-lb, high: 70 in-lb}}
`))
	pass := p.Steps[0].Joint.Passes[0]
	if math.Abs(pass.LSL.Base()-5.649) > 5e-4 || math.Abs(pass.USL.Base()-7.909) > 5e-4 {
		t.Errorf("%v to %v N·m, want 5.649 to 7.909", pass.LSL.Base(), pass.USL.Base())
	}
}
