package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"witnessmark/rules"
	"witnessmark/simulator/labelled"
)

// judgeShop writes an invented shop's procedure and n clean jobs, and one with
// a fault, and gives their paths.
func judgeShop(t *testing.T, tier labelled.Tier, n int, fault labelled.Fault) (dir, proc, last string, samples []*labelled.Sample) {
	t.Helper()
	dir = t.TempDir()
	shop := labelled.NewShopIn(labelled.Steady, 77, tier)
	proc = filepath.Join(dir, "shop.yaml")
	put := func(name string, text []byte) string {
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
		return name
	}
	put(proc, shop.Procedure())
	for i := range n + 1 {
		var faults []labelled.Fault
		name := filepath.Join(dir, "before", fmt.Sprintf("%02d.jsonl", i))
		if i == n {
			faults, name = []labelled.Fault{fault}, filepath.Join(dir, "last.jsonl")
		}
		s, err := shop.Job(1000+i, faults...)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := s.WriteStream(&b); err != nil {
			t.Fatal(err)
		}
		last = put(name, b.Bytes())
		samples = append(samples, s)
	}
	return dir, proc, last, samples
}

func judgedWith(t *testing.T, args ...string) (*judgement, string, error) {
	t.Helper()
	cmd := newJudge()
	var out, log bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetErr(&log)
	cmd.SetContext(t.Context())
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	if err := cmd.ParseFlags(args); err != nil {
		t.Fatal(err)
	}
	f := cmd.Flags()
	proc, _ := f.GetString("procedure")
	stream, _ := f.GetString("stream")
	earlier, _ := f.GetStringArray("earlier")
	j, err := judgeFiles(cmd, proc, stream, earlier, false)
	text := ""
	if j != nil {
		var b bytes.Buffer
		if err := j.writeText(&b); err != nil {
			t.Fatal(err)
		}
		text = b.String()
		holdTo(t, judgeSchemaOf(t), j)
	}
	return j, text, err
}

// What --earlier teaches is what the same jobs in one state teach, which is
// how the service and the bench do it: every claim, alert and weight is the
// same, and another than that of an untaught joint.
func TestEarlierTeachesAsOneStateDoes(t *testing.T) {
	for _, tier := range []labelled.Tier{labelled.Torque, labelled.Angle} {
		t.Run(string(tier), func(t *testing.T) {
			dir, procFile, last, samples := judgeShop(t, tier, 5, labelled.MaskedLost)
			proc, err := openProcText(procFile)
			if err != nil {
				t.Fatal(err)
			}
			state := rules.New()
			var want *judgement
			learned := []learnedPass(nil)
			for i, s := range samples {
				if i == len(samples)-1 {
					learned = learnedOf(state, proc.proc)
				}
				if want, err = judgeSample(t.Context(), proc, s, state); err != nil {
					t.Fatal(err)
				}
			}
			got, text, err := judgedWith(t, "--procedure", procFile, "--earlier", filepath.Join(dir, "before"), "--stream", last)
			if err != nil {
				t.Fatal(err)
			}
			same := cmp.Options{cmpopts.IgnoreUnexported(judgement{}, judgedAlert{}, judgedQuestion{}), cmpopts.IgnoreFields(judgement{}, "Earlier", "Learned")}
			if d := cmp.Diff(want, got, same); d != "" {
				t.Errorf("one state (-), --earlier (+):\n%s", d)
			}
			if d := cmp.Diff(learned, got.Learned); d != "" || learned == nil {
				t.Errorf("learned %s", d)
			}
			jobs, pulls := 0, 0
			for _, l := range got.Learned {
				jobs, pulls = max(jobs, l.Jobs), pulls+l.Pulls
				if (l.Mean == nil) != (tier == labelled.Torque) || l.Mean != nil && !(*l.Mean > 3 && *l.Spread > 0 && *l.Spread < *l.Mean) {
					t.Errorf("learned %+v", l)
				}
			}
			if len(got.Earlier) != 5 || jobs == 0 || (pulls > 0) != (tier == labelled.Angle) {
				t.Errorf("earlier %+v, %d jobs, %d pulls", got.Earlier, jobs, pulls)
			}
			if !strings.Contains(text, "Earlier jobs: 5") || !strings.Contains(text, "Learned before this job") {
				t.Errorf("text:\n%s", text)
			}
			alone, _, err := judgedWith(t, "--procedure", procFile, "--stream", last)
			if err != nil || alone.Learned == nil || len(alone.Learned) != 0 || len(alone.Earlier) != 0 {
				t.Errorf("untaught: learned %v, %v", alone.Learned, err)
			}
			if cmp.Equal(alone, got, same) {
				t.Error("what was taught changed nothing, not even a weight")
			}
		})
	}
}

// Only a released job teaches.
func TestEarlierNotReleasedTeachesNothing(t *testing.T) {
	dir, proc, last, _ := judgeShop(t, labelled.Angle, 1, labelled.PlainMiss)
	clean := filepath.Join(dir, "before", "00.jsonl")
	j, text, err := judgedWith(t, "--procedure", proc, "--earlier", last, "--stream", clean)
	if err != nil {
		t.Fatal(err)
	}
	if j.Learned == nil || len(j.Learned) != 0 || len(j.Earlier) != 1 || j.Earlier[0].Released || j.Earlier[0].Why == "" {
		t.Errorf("earlier %+v, learned %v", j.Earlier, j.Learned)
	}
	if !strings.Contains(text, "Learned before this job: nothing") || !strings.Contains(text, "taught nothing: ") {
		t.Errorf("text:\n%s", text)
	}
}

// Equal ids are numbered, the judged stream and a file named twice are not
// learned from again, and each of these is told.
func TestEarlierNamesAndOrder(t *testing.T) {
	dir, proc, last, _ := judgeShop(t, labelled.Angle, 2, labelled.MaskedLost)
	text, err := os.ReadFile(filepath.Join(dir, "before", "00.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	own, err := os.ReadFile(last)
	if err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(dir, "before", "09.jsonl")
	for name, text := range map[string][]byte{copied: text, filepath.Join(dir, "before", "notes.txt"): []byte("no stream")} {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	other := filepath.Join(dir, "other.jsonl") // of the judged job's id, and later
	if err := os.WriteFile(other, bytes.Replace(own, []byte("2026-11-25T"), []byte("2026-11-27T"), 1), 0o644); err != nil {
		t.Fatal(err)
	}
	j, _, err := judgedWith(t, "--procedure", proc, "--earlier", other, "--earlier", filepath.Join(dir, "before"), "--earlier", copied, "--earlier", last, "--stream", last)
	if err != nil {
		t.Fatal(err)
	}
	var ids, files, warned []string
	for _, e := range j.Earlier {
		ids, files = append(ids, e.Job), append(files, filepath.Base(e.File))
	}
	if want := []string{"other.jsonl", "00.jsonl", "01.jsonl", "09.jsonl"}; !slices.Equal(files, want) {
		t.Errorf("judged %v, want %v", files, want)
	}
	if j.Job.ID+".2" != ids[0] || ids[3] != ids[1]+".2" {
		t.Errorf("ids %v, judged %s", ids, j.Job.ID)
	}
	for _, w := range j.Warnings {
		warned = append(warned, filepath.Base(w.File)+" "+w.Field)
	}
	want := []string{"09.jsonl ", "last.jsonl ", "other.jsonl job.id", "00.jsonl start", "09.jsonl job.id"}
	if d := cmp.Diff(want, warned); d != "" {
		t.Errorf("warnings %v\n%s", j.Warnings, d)
	}
	if len(j.Problems) != 0 {
		t.Errorf("problems %v", j.Problems)
	}
}

// What is wrong in an earlier stream is said with its file; the rest is judged.
func TestEarlierProblems(t *testing.T) {
	dir, proc, last, _ := judgeShop(t, labelled.Angle, 2, labelled.MaskedLost)
	first, second := filepath.Join(dir, "before", "00.jsonl"), filepath.Join(dir, "before", "01.jsonl")
	text, err := os.ReadFile(second)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(text, []byte("\n"))
	for name, text := range map[string][]byte{
		second:                                   slices.Concat(lines[0], []byte("{\"tool\":1}\n"), bytes.Join(lines[1:], nil)),
		filepath.Join(dir, "before", "03.jsonl"): []byte("nothing of the kind\n"),
		filepath.Join(dir, "before", "04.jsonl"): bytes.Replace(text, []byte(`"id":"`), []byte(`"id":"no id `), 1),
	} {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	j, shown, err := judgedWith(t, "--procedure", proc, "--earlier", filepath.Join(dir, "before"), "--stream", last)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range j.Problems {
		got = append(got, fmt.Sprintf("%s:%d", filepath.Base(p.File), p.Line))
	}
	if want := []string{"01.jsonl:2", "03.jsonl:1", "04.jsonl:1"}; !slices.Equal(got, want) {
		t.Errorf("problems %v, want %v", j.Problems, want)
	}
	if len(j.Earlier) != 2 || len(j.Pulls) == 0 || j.Learned == nil {
		t.Errorf("earlier %+v, learned %v", j.Earlier, j.Learned)
	}
	if !strings.Contains(shown, "NOT JUDGED: "+second+":2: tool") {
		t.Errorf("text:\n%s", shown)
	}
	if err := j.unjudged(last); !strings.Contains(err.Error(), second+":2: tool") {
		t.Errorf("error %v", err)
	}
	for _, wrong := range []string{filepath.Join(dir, "none.jsonl"), t.TempDir()} {
		if _, _, err := judgedWith(t, "--procedure", proc, "--earlier", first, "--earlier", wrong, "--stream", last); err == nil || !strings.Contains(err.Error(), wrong) {
			t.Errorf("%s: %v", wrong, err)
		}
	}
	if _, _, err := judgedWith(t, "--procedure", proc, "--stream", second+"x"); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
