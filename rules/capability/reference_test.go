package capability

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// published reads a published table beside the clone; no test may pretend to have
// checked what is not there.
func published(t *testing.T, name string) [][]string {
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
	return rows
}

func text(t *testing.T, name string, col int) []string {
	t.Helper()
	var all []string
	for _, r := range published(t, name)[1:] {
		all = append(all, r[col])
	}
	return all
}

func column(t *testing.T, name string, col int) []float64 {
	t.Helper()
	var all []float64
	for _, s := range text(t, name, col) {
		all = append(all, number(t, s))
	}
	return all
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// cell is the text of the column "value" in the row with the id.
func cell(t *testing.T, name, id string) string {
	t.Helper()
	rows := published(t, name)
	for c, h := range rows[0] {
		for _, r := range rows[1:] {
			if h == "value" && r[0] == id {
				return r[c]
			}
		}
	}
	t.Fatalf("%s has no row %s", name, id)
	return ""
}

// printed compares with a row of a table to half a unit of its last digit; of
// several values in one cell, got has one each.
func printed(t *testing.T, name, id string, got ...float64) {
	t.Helper()
	parts := strings.Split(cell(t, name, id), ";")
	if len(parts) != len(got) {
		t.Fatalf("%s %s: %d values, have %d", name, id, len(parts), len(got))
	}
	for i, p := range parts {
		p = strings.TrimSpace(p)
		if want := number(t, p); math.Abs(got[i]-want) > 0.501*lastDigit(p) {
			t.Errorf("%s %s: %v, want %s", name, id, got[i], p)
		}
	}
}

func lastDigit(s string) float64 {
	mantissa, exponent, _ := strings.Cut(strings.ToLower(s), "e")
	unit := 1.0
	if _, frac, ok := strings.Cut(mantissa, "."); ok {
		unit = math.Pow10(-len(frac))
	}
	if n, err := strconv.Atoi(exponent); err == nil {
		unit *= math.Pow10(n)
	}
	return unit
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}
