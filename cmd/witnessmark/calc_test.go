package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// calcJSON runs a calc command and returns its figures by name.
func calcJSON(t *testing.T, args ...string) map[string]calcFigure {
	t.Helper()
	root := newRoot()
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetArgs(append([]string{"calc"}, append(args, "--json")...))
	if err := root.ExecuteContext(t.Context()); err != nil {
		t.Fatalf("calc %s: %v", strings.Join(args, " "), err)
	}
	var a calcAnswer
	if err := json.Unmarshal(out.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	if a.Formula == "" || a.Source == "" {
		t.Errorf("calc %s tells no formula or no source", strings.Join(args, " "))
	}
	by := map[string]calcFigure{}
	for _, f := range append(a.Given, a.Results...) {
		if f.Unit == "" || f.Text == "" {
			t.Errorf("calc %s: %q has no unit or text", strings.Join(args, " "), f.Name)
		}
		by[f.Name] = f
	}
	return by
}

func publishedRows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "shared", "reference", name))
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data (%s): %v", name, err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = r[i]
		}
		out = append(out, m)
	}
	return out
}

// units.csv: by definition (lb, g_n, ft), checked there against GNU units; U20
// to U22, NIST SP 811, are from memory. To the digits that are printed.
func TestConvertAgreesWithTheTable(t *testing.T) {
	n := 0
	for _, r := range publishedRows(t, "units.csv") {
		from := strings.NewReplacer("*", "·", "thou (mil)", "thou", "microinch", "µin", "inch", "in").Replace(r["from_unit"])
		to := strings.NewReplacer("*", "·", "inch", "in").Replace(r["to_unit"])
		want, err := strconv.ParseFloat(r["multiply_by"], 64)
		if err != nil {
			t.Fatal(err)
		}
		var got float64
		for _, f := range calcJSON(t, "convert", "1 "+from, to) {
			if f.Name != "given" {
				got = f.Value
			}
		}
		_, decimals, _ := strings.Cut(r["multiply_by"], ".")
		if math.Abs(got-want) > 0.5*math.Pow(10, -float64(len(decimals)))+1e-13*want {
			t.Errorf("%s: 1 %s is %.17g %s, the table says %s", r["id"], from, got, to, r["multiply_by"])
		}
		n++
	}
	if n < 20 {
		t.Errorf("only %d conversions", n)
	}
}

// geometry.csv G04 to G06: a made turn with noise-free rounding, fitted there
// with numpy.
func TestRunOutAgreesWithTheTable(t *testing.T) {
	rows := map[string]string{}
	for _, r := range publishedRows(t, "geometry.csv") {
		rows[r["id"]] = r["value"]
	}
	got := calcJSON(t, "runout", filepath.Join("..", "..", "..", "shared", "reference", "data_runout_sine.csv"), "--unit", "mm")
	first := func(s string, i int) float64 {
		v, err := strconv.ParseFloat(strings.Fields(strings.Split(s, ";")[i])[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		name string
		want float64
		tol  float64
	}{{"eccentricity", first(rows["G05"], 0), 1e-8}, {"direction", first(rows["G05"], 1), 1e-5}, {"full indicator movement", first(rows["G06"], 0), 1e-9}, {"its standard deviation", first(rows["G06"], 1), 1e-8}} {
		if math.Abs(got[c.name].Value-c.want) > c.tol {
			t.Errorf("%s: %.9g, the table says %.9g", c.name, got[c.name].Value, c.want)
		}
	}
	// G02, G03: US Army TM 5-3810-305-23: 0, +3, −2, +3 thou is 5 thou of
	// movement; the offset is 1 thou towards 12 o'clock, not half of five.
	file := filepath.Join(t.TempDir(), "dial.txt")
	if err := os.WriteFile(file, []byte("0.000\n0.003\n-0.002\n0.003\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	got = calcJSON(t, "runout", file, "--unit", "in")
	if math.Abs(got["full indicator movement"].Value-0.005) > 1e-12 || math.Abs(got["eccentricity"].Value-0.001) > 1e-12 {
		t.Errorf("dial readings: %+v", got)
	}
}
