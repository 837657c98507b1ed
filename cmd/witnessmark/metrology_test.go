package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/events/quantity"
)

// metrology runs a command of the group and gives what it prints.
func metrology(t *testing.T, in string, args ...string) (string, error) {
	t.Helper()
	root := newRoot()
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&out)
	root.SetIn(strings.NewReader(in))
	root.SetArgs(append([]string{"metrology"}, args...))
	err := root.Execute()
	return out.String(), err
}

func sharedFile(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", filepath.FromSlash(name)))
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data (%s): %v", name, err)
	}
	return string(text)
}

// The command prints the published answers, from the published files: AIAG MSA
// 4th ed. by both methods (spc.csv Q068, Q070, Q080, Q081), the mass history
// without an alarm, and its naive alarm at point 43.
func TestMetrologyOnPublishedData(t *testing.T) {
	grr := sharedFile(t, "reference/data_aiag_grr.csv")
	mass := sharedFile(t, "datasets/check-standard-history/mass-1975-1984.csv")
	for _, c := range []struct {
		in   string
		args []string
		want []string
	}{
		{grr, []string{"grr", "-"}, []string{"27.8607", "26.678", "distinct categories   4", "distinct categories   5", "p = 0.974 is above 0.25"}},
		{mass, []string{"chart", "-", "--kind", "ewma", "--slow"}, []string{"No signal."}},
		{mass, []string{"chart", "-", "--kind", "ewma", "--lambda", "0.2", "--steady", "--centre", "-19.4785", "--sd", "0.0307"}, []string{"Signals: 1."}},
	} {
		got, err := metrology(t, c.in, c.args...)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range c.want {
			if !strings.Contains(got, w) {
				t.Errorf("%v: no %q in\n%s", c.args, w, got)
			}
		}
	}
}

// What is printed for programs is JSON, whatever the figures.
func TestMetrologyJSON(t *testing.T) {
	const steady = "at,deviation [%]\n1,0.1\n2,-0.1\n3,0.1\n4,-0.1\n"
	got, err := metrology(t, steady, "drift", "-", "--upper", "40", "--json")
	if err != nil {
		t.Fatal(err)
	}
	var r struct {
		Title   string
		Tables  []grid
		Figures []struct{ Name, Unit string }
	}
	if err := json.Unmarshal([]byte(got), &r); err != nil || r.Title == "" || len(r.Tables) != 1 {
		t.Errorf("%v, %s", err, got)
	}
	for _, f := range r.Figures {
		if f.Name == "drift" && f.Unit != "% per cycle or unit of at" {
			t.Errorf("unit %q", f.Unit)
		}
	}
}

func TestNum(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 12: "12", 0.945201: "0.945201", 97.0126: "97.0126", 1e-12: "1e-12", math.Inf(1): "never", 0.5: "0.5", -3.25: "-3.25", 123456.78: "123457"} {
		if got := num(v).String(); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
	if b, err := json.Marshal([]num{num(math.NaN()), 2.5}); err != nil || string(b) != "[null,2.5]" {
		t.Errorf("%s, %v", b, err)
	}
}

// A file of readings never panics, and each fault says where it is.
func FuzzMetrologyFile(f *testing.F) {
	for _, s := range []string{"value_mm\n1\n", "a,value_Nm\n1,2\n", "\ufeffvalue [mm];a\n1;2\n", "# x\nvalue\n\"1\n", "value,unit\n1,mm\n", "value_mm\n1,2\n", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		file, err := openCSV("-", strings.NewReader(text), "value")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "-:") {
				t.Errorf("no place in %q", err)
			}
			return
		}
		for {
			more, err := file.next()
			if err != nil && !strings.HasPrefix(err.Error(), "-:") {
				t.Errorf("no place in %q", err)
			}
			if err != nil || !more {
				return
			}
			for _, e := range []error{second(file.number("value")), third(file.value("value", quantity.DimTorque)), third(moment(file, "value"))} {
				if e != nil && !strings.HasPrefix(e.Error(), "-:") {
					t.Errorf("no place in %q", e)
				}
			}
		}
	})
}

func second[A any](_ A, err error) error        { return err }
func third[A, B any](_ A, _ B, err error) error { return err }
