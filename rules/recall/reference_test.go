package recall

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
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

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}
