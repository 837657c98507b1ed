// Package published lets tests read the published check values that lie beside
// the clone, compare with them to their printed digits, and ask an independent
// statistics program. It is for tests alone.
package published

import (
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Dir returns the folder of published data beside the clone, "" if it is not
// there. It is looked for from the test's folder upwards.
func Dir() string {
	dir, err := os.Getwd()
	if err != nil {
		return ""
	}
	for ; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		if dir == filepath.Dir(dir) {
			return ""
		}
	}
	shared := filepath.Join(filepath.Dir(dir), "shared")
	if _, err := os.Stat(shared); err != nil {
		return ""
	}
	return shared
}

// Rows reads a published table; name is below reference/, or a path below the
// shared folder that begins with "datasets/". No test may pretend to have
// checked what is not there: without the table it is skipped, loudly.
func Rows(t testing.TB, name string) [][]string {
	t.Helper()
	path := filepath.Join("reference", name)
	if strings.HasPrefix(name, "datasets/") {
		path = name
	}
	dir := Dir()
	if dir == "" {
		t.Skipf("SKIPPED: no shared reference data (%s)", name)
	}
	f, err := os.Open(filepath.Join(dir, path))
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

// Text is one column, without its head.
func Text(t testing.TB, name string, col int) []string {
	t.Helper()
	var out []string
	for _, r := range Rows(t, name)[1:] {
		out = append(out, r[col])
	}
	return out
}

// Column is one column of figures, without its head.
func Column(t testing.TB, name string, col int) []float64 {
	t.Helper()
	var out []float64
	for _, s := range Text(t, name, col) {
		out = append(out, Number(t, s))
	}
	return out
}

// Number reads a figure, or ends the test.
func Number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Cell is the text of the column "value" in the row with the id.
func Cell(t testing.TB, name, id string) string {
	t.Helper()
	rows := Rows(t, name)
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

// Row is Cell as a figure.
func Row(t testing.TB, name, id string) float64 {
	t.Helper()
	return Number(t, Cell(t, name, id))
}

// Printed compares with a row of a table to half a unit of its last digit; of
// several values in one cell, got has one each.
func Printed(t testing.TB, name, id string, got ...float64) {
	t.Helper()
	parts := strings.Split(Cell(t, name, id), ";")
	if len(parts) != len(got) {
		t.Fatalf("%s %s: %d values, have %d", name, id, len(parts), len(got))
	}
	for i, p := range parts {
		p = strings.TrimSpace(p)
		if want := Number(t, p); !(math.Abs(got[i]-want) <= 0.501*LastDigit(p)) {
			t.Errorf("%s %s: %v, want %s", name, id, got[i], p)
		}
	}
}

// LastDigit is what one unit of the last printed digit is worth.
func LastDigit(s string) float64 {
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

// Near compares; what is no number fails.
func Near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}

// R runs a script in R, a general-purpose statistics program that shares no
// code with this one, and returns the figures that it prints. Without R the
// test is skipped, loudly.
func R(t testing.TB, script string) []float64 {
	t.Helper()
	rscript, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("SKIPPED: no Rscript (Debian: r-base-core) to check against")
	}
	cmd := exec.CommandContext(t.Context(), rscript, "--vanilla", "-e", "options(digits = 15, scipen = 99)\n"+script)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("R: %v\n%s\n%s", err, script, stderr.String())
	}
	var nums []float64
	for f := range strings.FieldsSeq(string(out)) {
		nums = append(nums, Number(t, f))
	}
	return nums
}
