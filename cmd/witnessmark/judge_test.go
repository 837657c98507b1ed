package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"witnessmark/rules"
)

// plateProcedure is an invented plate with n bolts in a ring, one final pass.
func plateProcedure(t testing.TB, class string, n int) *procText {
	t.Helper()
	p, err := newProcText("plate.yaml", fmt.Appendf(nil, `# Invented.
procedure: P-1
revision: A
title: Invented plate
unit: Invented plate
faces:
  - {id: top, title: Top, outlines: [{shape: circle, r: 120, style: body}]}
steps:
  - {id: clean, title: Clean the plate, kind: attest, statement: The plate is clean}
  - id: plate
    title: Plate
    kind: torque
    face: top
    class: %s
    fasteners: [{ring: {count: %d, diameter: 180}, head: 13}]
    order: clockwise
    passes: [{name: final, target: 40 N·m, limits: ± 10 %%}]
  - {id: lid, title: Put the lid on, kind: attest, statement: The lid is on, covers: [plate, clean]}
`, class, n))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

const wrenchHead = `{"stream":1,"tools":[{"tool":"K2","unit":"N·m","resolution":0.1,"capacity":200,"least":5,"threshold":5,"counter":"cycles","angle_resolution":null,"duration":false,"trace_rate":null,"u_rel":0.01}],"job":{"id":"j-1","unit_serial":"P1-7"},"start":"2026-11-25T08:00:00Z"}`

// pullLine is one reading of the wrench, a pull each three seconds.
func pullLine(seq int, value float64) string {
	t := 10 + 3*float64(seq)
	return fmt.Sprintf(`{"tool":"K2","seq":%d,"t":%.3f,"rx":%.3f,"value":%.1f,"unit":"N·m","angle":null,"duration":null}`, seq, t, t+0.2, value)
}

func jsonl(l ...string) string { return strings.Join(l, "\n") + "\n" }

func mustJudge(t testing.TB, p *procText, stream string, opt streamOptions) *judgement {
	t.Helper()
	j, err := runStream(t.Context(), p, strings.NewReader(stream), opt)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func claims(j *judgement) []string {
	var c []string
	for _, f := range j.Fasteners {
		c = append(c, f.Claim)
	}
	return c
}

func TestJudgeCleanJob(t *testing.T) {
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead,
		pullLine(1, 40.1), pullLine(2, 39.8), pullLine(3, 40.4), pullLine(4, 40), `{"release":true,"t":60}`), streamOptions{})
	if got := claims(j); slices.ContainsFunc(got, func(c string) bool { return c != claimWitnessed }) || len(got) != 4 {
		t.Errorf("claims %v", got)
	}
	if !j.Release.Granted || len(j.Alerts)+len(j.Questions)+len(j.Problems)+len(j.Warnings) > 0 {
		t.Errorf("release %+v, alerts %v, warnings %v", j.Release, j.Alerts, j.Warnings)
	}
	if want := []string{"clean", "lid"}; !slices.Equal(j.Procedure.LeftOut, want) {
		t.Errorf("left out %v, want %v", j.Procedure.LeftOut, want)
	}
	for i, f := range j.Fasteners {
		if f.Pull != i+1 || *f.TargetNm != 40 {
			t.Errorf("fastener %s rests on pull %d, target %v", f.Fastener, f.Pull, *f.TargetNm)
		}
	}
}

// Four bolts, three pulls: the count alone shows it, at the release.
func TestJudgePlainMiss(t *testing.T) {
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead,
		pullLine(1, 40.1), pullLine(2, 39.8), pullLine(3, 40.4), `{"release":true,"t":60}`), streamOptions{})
	if n := len(slices.DeleteFunc(claims(j), func(c string) bool { return c != claimMissed })); n == 0 {
		t.Errorf("claims %v: none is missed", claims(j))
	}
	i := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "missed_fastener" })
	if i < 0 || j.Release.Granted || !j.Release.Asked || len(j.Release.Open) == 0 {
		t.Fatalf("alerts %+v, release %+v", j.Alerts, j.Release)
	}
	if a := j.Alerts[i]; a.Trigger != triggerRelease || a.Pull != 0 || a.After != 3 || !a.Open {
		t.Errorf("alert %+v: want it at the release, after pull 3, open", a)
	}
}

// A counter gap makes the claim for what is not there doubtful, not missed.
func TestJudgeLostReading(t *testing.T) {
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead,
		pullLine(1, 40.1), pullLine(2, 39.8), pullLine(4, 40.4), `{"release":true,"t":60}`), streamOptions{})
	if c := claims(j); !slices.Contains(c, claimDoubtful) || slices.Contains(c, claimMissed) {
		t.Errorf("claims %v: want doubtful, and nothing missed", c)
	}
	if i := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "reading_lost" }); i < 0 || j.Alerts[i].Pull != 3 {
		t.Errorf("alerts %+v: want reading_lost at pull 3", j.Alerts)
	}
}

// The same counter with the same values is the same cycle; with other values
// it is another pull.
func TestJudgeResent(t *testing.T) {
	again := strings.Replace(pullLine(2, 39.8), `"rx":16.200`, `"rx":17.000`, 1)
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead,
		pullLine(1, 40.1), pullLine(2, 39.8), again, pullLine(3, 40.4), pullLine(4, 40), `{"release":true,"t":60}`), streamOptions{})
	if p := j.Pulls[2]; p.Became != becameResent || p.Of != 2 {
		t.Errorf("pull 3 %+v: want it resent, of 2", p)
	}
	if !j.Release.Granted || j.Fasteners[2].Pull != 4 {
		t.Errorf("release %+v, fasteners %+v", j.Release, j.Fasteners)
	}
	j = mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead,
		pullLine(1, 40.1), pullLine(2, 39.8), strings.Replace(pullLine(2, 41.2), `"rx":16.200`, `"rx":17.000`, 1)), streamOptions{})
	if p := j.Pulls[2]; p.Became == becameResent {
		t.Errorf("pull 3 %+v: another value is another pull", p)
	}
}

// Without a release record nothing is granted, and what is open is said.
func TestJudgeWithoutRelease(t *testing.T) {
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, pullLine(1, 40.1)), streamOptions{})
	if j.Release.Asked || j.Release.Granted || len(j.Release.Open) == 0 || j.Release.Text == "" {
		t.Errorf("release %+v", j.Release)
	}
}

// Steps that the stream does not speak of stay only with StrictSteps; those
// that it confirms stay always.
func TestJudgeStrictSteps(t *testing.T) {
	p := plateProcedure(t, "C", 4)
	body := jsonl(pullLine(1, 40.1), pullLine(2, 39.8), pullLine(3, 40.4), pullLine(4, 40))
	j := mustJudge(t, p, wrenchHead+"\n"+body+`{"release":true,"t":60}`, streamOptions{StrictSteps: true})
	if j.Release.Granted || len(j.Procedure.LeftOut) != 0 {
		t.Errorf("strict: release %+v, left out %v", j.Release, j.Procedure.LeftOut)
	}
	j = mustJudge(t, p, jsonl(wrenchHead, `{"confirm":"clean","t":5}`)+body+jsonl(`{"confirm":"lid","t":50}`, `{"release":true,"t":60}`), streamOptions{})
	if !j.Release.Granted || len(j.Procedure.LeftOut) != 0 || len(j.Refusals) != 0 {
		t.Errorf("confirmed: release %+v, left out %v, refusals %v", j.Release, j.Procedure.LeftOut, j.Refusals)
	}
	j = mustJudge(t, p, jsonl(wrenchHead, `{"confirm":"lid","t":5}`)+body+`{"release":true,"t":60}`, streamOptions{})
	if len(j.Refusals) != 1 || len(j.Problems) != 0 {
		t.Errorf("the lid too early: refusals %v, problems %v", j.Refusals, j.Problems)
	}
}

// A place that is confirmed makes the witness a placed one.
func TestJudgePlaced(t *testing.T) {
	var l []string
	l = append(l, wrenchHead)
	for i := 1; i <= 4; i++ {
		l = append(l, fmt.Sprintf(`{"place":{"step":"plate","fastener":"%d"},"t":%d}`, i, 9+3*i), pullLine(i, 40))
	}
	j := mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	for _, f := range j.Fasteners {
		if f.Claim != claimWitnessed || f.Grade != "placed" {
			t.Errorf("fastener %s: %s, %s", f.Fastener, f.Claim, f.Grade)
		}
	}
	j = mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, `{"place":{"step":"plate","fastener":"9"},"t":5}`, pullLine(1, 40)), streamOptions{})
	if len(j.Problems) != 1 || j.Problems[0].Field != "place" || j.Problems[0].Line != 2 {
		t.Errorf("problems %v: want one about the place in line 2", j.Problems)
	}
}

// Several streams can be judged on one state, which learns; a clone of it
// keeps what it is.
func TestJudgeOnOneState(t *testing.T) {
	p := plateProcedure(t, "C", 4)
	s := rules.New()
	job := func(id string) string {
		return jsonl(strings.Replace(wrenchHead, "j-1", id, 1), pullLine(1, 40.1), pullLine(2, 39.8), pullLine(3, 40.4))
	}
	for i := range 3 {
		j := mustJudge(t, p, job(fmt.Sprint("j-", i)), streamOptions{State: s})
		if j.Fasteners[0].Claim != claimWitnessed || len(s.Jobs) != 0 {
			t.Fatalf("job %d: %v, %d jobs left", i, claims(j), len(s.Jobs))
		}
	}
	cause := s.Cause
	a := mustJudge(t, p, job("j-9"), streamOptions{State: s.Clone()})
	b := mustJudge(t, p, job("j-9"), streamOptions{State: s.Clone()})
	if s.Cause != cause || s.Ended["j-9"] {
		t.Error("judging on a clone moved the state")
	}
	if x, y := asJSON(t, a), asJSON(t, b); !bytes.Equal(x, y) {
		t.Error("the same stream on the same state was judged in two ways")
	}
	if _, err := runStream(t.Context(), p, strings.NewReader(job("j-1")), streamOptions{State: s}); err == nil {
		t.Error("an id is used once, but j-1 was judged again")
	}
}

func asJSON(t testing.TB, j *judgement) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := j.writeJSON(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What is printed is what the schema describes, for every kept stream; every
// reading became something, and each claim is one of the five.
func TestJudgeOutputFitsItsSchema(t *testing.T) {
	schema := judgeSchemaOf(t)
	files, err := filepath.Glob("../../testdata/matching/*.jsonl")
	if err != nil || len(files) == 0 {
		t.Fatalf("no kept streams: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			p, err := openProcText(strings.TrimSuffix(file, "jsonl") + "yaml")
			if err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			j := mustJudge(t, p, string(text), streamOptions{})
			if len(j.Problems) > 0 || len(j.Pulls) != bytes.Count(bytes.TrimSpace(text), []byte("\n"))-1 {
				t.Errorf("%d pulls, problems %v", len(j.Pulls), j.Problems)
			}
			holdTo(t, schema, j)
			var b bytes.Buffer
			if err := j.writeText(&b); err != nil || !strings.Contains(b.String(), "Release: ") {
				t.Errorf("text %q, %v", b.String(), err)
			}
		})
	}
}

func judgeSchemaOf(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(judgeSchema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:own", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("urn:own")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func holdTo(t testing.TB, schema *jsonschema.Schema, j *judgement) {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON(t, j)))
	if err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(doc); err != nil {
		t.Error(err)
	}
}

// The page describes every field of the output and of the stream.
func TestStreamFormatNamesEveryField(t *testing.T) {
	var s struct {
		Properties map[string]any
		Defs       map[string]struct{ Properties map[string]any } `json:"$defs"`
	}
	if err := json.Unmarshal([]byte(judgeSchema), &s); err != nil {
		t.Fatal(err)
	}
	want := slices.Concat(headFields, toolFields, jobFields)
	for _, f := range recordFields {
		want = append(want, f...)
	}
	for name := range s.Properties {
		want = append(want, name)
	}
	for _, d := range s.Defs {
		for name := range d.Properties {
			want = append(want, name)
		}
	}
	slices.Sort(want)
	for _, name := range slices.Compact(want) {
		if !strings.Contains(streamFormat, "`"+name+"`") {
			t.Errorf("stream-format.md does not describe %q", name)
		}
	}
}

// The worked example of the page is judged as the page says.
func TestStreamFormatExample(t *testing.T) {
	_, rest, _ := strings.Cut(streamFormat, "```jsonl\n")
	text, _, ok := strings.Cut(rest, "```")
	if !ok {
		t.Fatal("the page has no example")
	}
	j := mustJudge(t, plateProcedure(t, "C", 4), text, streamOptions{})
	if len(j.Problems)+len(j.Warnings) > 0 || len(j.Pulls) != 4 || !j.Release.Asked {
		t.Errorf("problems %v, warnings %v, %d pulls", j.Problems, j.Warnings, len(j.Pulls))
	}
	if j.Fasteners[3].Claim != claimMissed {
		t.Errorf("claims %v: the page says that fastener 4 is missed", claims(j))
	}
}

func TestJudgeStopsWhenAsked(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := runStream(ctx, plateProcedure(t, "C", 4), strings.NewReader(wrenchHead), streamOptions{}); err != context.Canceled {
		t.Errorf("error %v, want %v", err, context.Canceled)
	}
}
