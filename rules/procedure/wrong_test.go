package procedure

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew; review the difference")

// Each testdata/wrong/NAME.yaml is a file with one fault (few with more);
// NAME.want holds the problems, one a line. The expected texts were written
// by the program and then read, one by one.
func TestWrongFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/wrong/*.yaml")
	if err != nil || len(files) < 80 {
		t.Fatalf("found %d wrong files, %v; want 80 and more", len(files), err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".yaml")
		t.Run(name, func(t *testing.T) { checkWrong(t, f, name) })
	}
}

func checkWrong(t *testing.T, file, name string) {
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, probs := Parse(name+".yaml", text)
	var b strings.Builder
	for _, pr := range probs {
		b.WriteString(pr.String() + "\n")
		if pr.What == "" || pr.Want == "" || pr.Line < 1 || pr.Col < 1 {
			t.Errorf("problem without place, fault or remedy: %+v", pr)
		}
	}
	if len(probs) == 0 {
		t.Error("no problem found")
	}
	if (p == nil) != (probs.Err() != nil) {
		t.Errorf("procedure %v, error %v: want exactly one of them", p, probs.Err())
	}
	golden := strings.TrimSuffix(file, ".yaml") + ".want"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatalf("read golden file: %v; run with -update, then review", err)
	}
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Errorf("problems (-want +got):\n%s", d)
	}
}
