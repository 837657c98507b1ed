package record

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events/ledger"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with a file in testdata, or writes it with -update.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s (-want +got); if the change is meant, run the test with -update and read the diff:\n%s", path, d)
	}
}

// built is the record of the invented job in story, at its end.
func built(t *testing.T, s *story, job string) *Record {
	t.Helper()
	r, err := Build(t.Context(), s.ledger(t), job)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func text(t *testing.T, r *Record) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestRecordAsText(t *testing.T) {
	golden(t, "released.golden", text(t, built(t, released(), "j-1")))
	golden(t, "open.golden", text(t, built(t, halfway(), "j-1")))
}

func TestRecordAsJSON(t *testing.T) {
	b, err := json.MarshalIndent(built(t, released(), "j-1"), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "released.json.golden", append(b, '\n'))
}

func TestTextFitsTheColumns(t *testing.T) {
	for _, s := range []*story{released(), halfway()} {
		for _, line := range bytes.Split(text(t, built(t, s, "j-1")), []byte("\n")) {
			if n := utf8.RuneCount(line); n > width {
				t.Errorf("%d columns, want at most %d: %s", n, width, line)
			}
		}
	}
}

// TestNothingIsLeftOut holds the record to the procedure: each fastener of
// each step is there, in each pass that it is in, whatever it got.
func TestNothingIsLeftOut(t *testing.T) {
	r := built(t, halfway(), "j-1")
	got := map[string]int{}
	for _, s := range r.Steps {
		if s.Joint == nil {
			continue
		}
		for _, f := range s.Joint.Fasteners {
			got[s.ID+" "+f.ID] = len(f.Passes)
		}
	}
	// By hand from the procedure in story_test.go.
	want := map[string]int{"cover 1": 2, "cover 2": 2, "cover 3": 2, "cover 4": 2}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("passes by fastener (-want +got):\n%s", d)
	}
	s := r.Summary
	if sum := s.Witnessed + s.Accepted + s.Missing + s.Partly + s.Held; sum != s.Fasteners || s.Fasteners != 4 {
		t.Errorf("summary counts %d of %d fasteners, want 4 of 4", sum, s.Fasteners)
	}
}

func TestEveryReadingIsInTheRecordOnce(t *testing.T) {
	for name, s := range map[string]*story{"released": released(), "halfway": halfway()} {
		r := built(t, s, "j-1")
		seen := map[uint64]int{}
		count := func(ps []Pull) {
			for _, p := range ps {
				seen[p.DecidedSeq]++
			}
		}
		for _, st := range r.Steps {
			if st.Joint != nil {
				for _, f := range st.Joint.Fasteners {
					for _, p := range f.Passes {
						count(p.Pulls)
					}
				}
			}
			if st.Measure != nil {
				count(st.Measure.Values)
			}
		}
		count(r.Elsewhere)
		if len(seen) != s.judged {
			t.Errorf("%s: %d judged readings in the record, want %d", name, len(seen), s.judged)
		}
		for seq, n := range seen {
			if n != 1 {
				t.Errorf("%s: decision %d is in the record %d times", name, seq, n)
			}
		}
	}
}

func TestUnknownJob(t *testing.T) {
	_, err := Build(t.Context(), released().ledger(t), "j-9")
	if !errors.Is(err, ledger.ErrUnknown) {
		t.Errorf("error %v, want ErrUnknown", err)
	}
}

// TestUnreadableProcedure: without its procedure the record still has every
// reading, and says that it cannot name what is missing.
func TestUnreadableProcedure(t *testing.T) {
	s := storyWith("procedure: RA-210\nthis: is from a newer program\n")
	s.pull("cover", "1", 0, 25, "25.0", "within")
	r := built(t, s, "j-1")
	if len(r.Elsewhere) != 1 || len(r.Warnings) != 1 {
		t.Errorf("%d readings elsewhere and %d warnings, want 1 and 1: %v", len(r.Elsewhere), len(r.Warnings), r.Warnings)
	}
}

func TestListOfJobs(t *testing.T) {
	l := released().ledger(t)
	jobs, err := l.Jobs(t.Context(), ledger.JobFilter{})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteJobs(&b, jobs); err != nil {
		t.Fatal(err)
	}
	golden(t, "jobs.golden", b.Bytes())
}
