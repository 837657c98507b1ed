package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// What is wrong in the first record ends the run, with line, field and what
// would be right.
func TestJudgeWrongFirstRecord(t *testing.T) {
	tool := `{"tool":"K2","unit":"N·m","capacity":200,"u_rel":0.01}`
	head := func(s string) string { return `{"stream":1,"tools":[` + s + `],"job":{"id":"j-1","unit_serial":"1"}}` }
	for name, c := range map[string]struct{ text, field string }{
		"empty":           {"", ""},
		"blank":           {"\n\n", ""},
		"no JSON":         {"tools", ""},
		"cut":             {`{"stream":1,`, ""},
		"a reading":       {pullLine(1, 40), "stream"},
		"form":            {`{"stream":2}`, "stream"},
		"no tools":        {`{"stream":1}`, "tools"},
		"tools":           {`{"stream":1,"tools":{}}`, "tools"},
		"tool":            {head(`7`), "tools[0]"},
		"no id":           {head(`{"unit":"N·m"}`), "tools[0].tool"},
		"twice":           {head(tool + "," + tool), "tools[1].tool"},
		"unit":            {head(`{"tool":"K2","unit":"furlong"}`), "tools[0].unit"},
		"angle unit":      {head(`{"tool":"K2","unit":"deg"}`), "tools[0].unit"},
		"kind":            {head(`{"tool":"K2","unit":"N·m","kind":"hammer"}`), "tools[0].kind"},
		"range":           {head(`{"tool":"K2","unit":"N·m","least":9,"capacity":5}`), "tools[0].capacity"},
		"capacity a text": {head(`{"tool":"K2","unit":"N·m","capacity":"200"}`), "tools[0].capacity"},
		"u_rel":           {head(`{"tool":"K2","unit":"N·m","u_rel":3}`), "tools[0].u_rel"},
		"counter":         {head(`{"tool":"K2","unit":"N·m","counter":"both"}`), "tools[0].counter"},
		"duration":        {head(`{"tool":"K2","unit":"N·m","duration":1}`), "tools[0].duration"},
		"start":           {`{"stream":1,"start":"yesterday"}`, "start"},
		"job":             {`{"stream":1,"job":7}`, "job"},
		"job id":          {`{"stream":1,"job":{"id":7}}`, "job.id"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := loadStream(t.Context(), strings.NewReader(c.text))
			var note lineNote
			if !errors.As(err, &note) || note.Field != c.field || note.Line < 1 || note.Todo == "" {
				t.Errorf("error %v, want one about %q that says what would be right", err, c.field)
			}
		})
	}
	for _, id := range []string{"a b", strings.Repeat("x", 65), "-"} {
		text := strings.Replace(wrenchHead, "j-1", id, 1)
		if _, err := runStream(t.Context(), plateProcedure(t, "C", 4), strings.NewReader(text), streamOptions{}); err == nil {
			t.Errorf("job %q was judged", id)
		}
	}
}

// What is wrong in a later line is reported with its field; the reading keeps
// its number, and the rest is judged.
func TestJudgeWrongLines(t *testing.T) {
	for name, c := range map[string]struct{ text, field string }{
		"no JSON":       {`{"tool":"K2",`, ""},
		"NaN":           {`{"tool":"K2","t":1,"rx":1,"value":NaN}`, ""},
		"a list":        {`[1,2]`, ""},
		"no tool":       {`{"t":1,"rx":1,"value":40}`, "tool"},
		"tool":          {`{"tool":2,"t":1,"rx":1,"value":40}`, "tool"},
		"no value":      {`{"tool":"K2","seq":1,"t":1,"rx":1}`, "value"},
		"value null":    {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":null}`, "value"},
		"value a text":  {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":"40"}`, "value"},
		"value NaN":     {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":"NaN"}`, "value"},
		"value huge":    {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":1e999}`, "value"},
		"unit":          {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":40,"unit":"stone"}`, "unit"},
		"seq":           {`{"tool":"K2","seq":1.5,"t":1,"rx":1,"value":40}`, "seq"},
		"seq below 0":   {`{"tool":"K2","seq":-1,"t":1,"rx":1,"value":40}`, "seq"},
		"no time":       {`{"tool":"K2","seq":1,"value":40}`, "t"},
		"t":             {`{"tool":"K2","seq":1,"t":-5,"rx":1,"value":40}`, "t"},
		"rx":            {`{"tool":"K2","seq":1,"t":1,"rx":true,"value":40}`, "rx"},
		"angle":         {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":40,"angle":[1]}`, "angle"},
		"duration":      {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":40,"duration":-1}`, "duration"},
		"status":        {`{"tool":"K2","seq":1,"t":1,"rx":1,"value":40,"status":1}`, "status"},
		"place":         {`{"place":"plate 1","t":1}`, "place"},
		"place's bolt":  {`{"place":{"step":"plate"},"t":1}`, "place.fastener"},
		"confirm":       {`{"confirm":1}`, "confirm"},
		"release":       {`{"release":"yes"}`, "release"},
		"release false": {`{"release":false}`, "release"},
		"huge line":     {`{"tool":"K2","status":"` + strings.Repeat("x", maxStreamLine) + `"}`, ""},
	} {
		t.Run(name, func(t *testing.T) {
			j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, c.text, pullLine(2, 40)), streamOptions{})
			if len(j.Problems) != 1 || j.Problems[0].Field != c.field || j.Problems[0].Line != 2 || j.Problems[0].Todo == "" {
				t.Fatalf("problems %v, want one about %q in line 2 that says what would be right", j.Problems, c.field)
			}
			last := j.Pulls[len(j.Pulls)-1]
			if last.Line != 3 || last.Became != becameCounted {
				t.Errorf("the reading after it: %+v", last)
			}
			reading := !slices.Contains([]string{"place", "place.fastener", "confirm", "release"}, c.field)
			if reading && (last.Pull != 2 || j.Pulls[0].Became != becameUnread) || !reading && last.Pull != 1 {
				t.Errorf("the reading after it has number %d", last.Pull)
			}
		})
	}
}

// A trace that cannot be used is reported; its reading counts.
func TestJudgeWrongTraces(t *testing.T) {
	for trace, field := range map[string]string{
		`7`:                                     "trace",
		`{}`:                                    "trace.torque",
		`{"torque":[1,2]}`:                      "trace.rate",
		`{"torque":[1,2],"rate":0}`:             "trace.rate",
		`{"torque":[1,2],"rate":"100"}`:         "trace.rate",
		`{"torque":[1,"x"],"rate":9}`:           "trace.torque",
		`{"torque":[1,null],"rate":9}`:          "trace.torque",
		`{"torque":5,"rate":9}`:                 "trace.torque",
		`{"torque":[1,2],"t":[0]}`:              "trace.t",
		`{"torque":[1,2],"t":[0,1e12]}`:         "trace.t",
		`{"torque":[1,2],"angle":[0],"rate":9}`: "trace.angle",
	} {
		text := `{"tool":"K2","seq":1,"t":1,"rx":1,"value":40,"trace":` + trace + `}`
		j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, text), streamOptions{})
		if len(j.Problems) != 1 || j.Problems[0].Field != field {
			t.Errorf("%s: problems %v, want one about %q", trace, j.Problems, field)
		}
		if j.Pulls[0].Became != becameCounted {
			t.Errorf("%s: the reading %s", trace, j.Pulls[0].Became)
		}
	}
}

// What is strange is warned of, and judged.
func TestJudgeWarnings(t *testing.T) {
	for name, c := range map[string]struct {
		text, field string
		line        int
	}{
		"unknown field": {jsonl(strings.Replace(pullLine(1, 40), "{", `{"colour":"red",`, 1)), "colour", 2},
		"unknown tool":  {jsonl(strings.Replace(pullLine(1, 40), "K2", "K9", 1)), "tool", 2},
		"no seq":        {jsonl(`{"tool":"K2","t":1,"rx":1,"value":40}`), "seq", 2},
		"no rx":         {jsonl(`{"tool":"K2","seq":1,"t":1,"value":40}`), "rx", 2},
		"no t":          {jsonl(`{"tool":"K2","seq":1,"rx":1,"value":40}`), "t", 2},
		"t after rx":    {jsonl(`{"tool":"K2","seq":1,"t":5,"rx":1,"value":40}`), "t", 2},
		"t backwards":   {jsonl(`{"tool":"K2","seq":1,"t":5,"rx":6,"value":40}`, `{"tool":"K2","seq":2,"t":4,"rx":7,"value":40}`), "t", 3},
		"rx backwards":  {jsonl(`{"tool":"K2","seq":1,"t":5,"rx":6,"value":40}`, `{"tool":"K2","seq":2,"t":5,"rx":5,"value":40.1}`), "rx", 3},
		"late":          {jsonl(`{"release":true,"t":1}`, pullLine(1, 40)), "", 3},
		"release's t":   {jsonl(`{"release":true}`), "t", 2},
	} {
		t.Run(name, func(t *testing.T) {
			j := mustJudge(t, plateProcedure(t, "C", 4), wrenchHead+"\n"+c.text, streamOptions{})
			if len(j.Problems) > 0 || !slices.ContainsFunc(j.Warnings, func(n lineNote) bool { return n.Field == c.field && n.Line == c.line }) {
				t.Errorf("problems %v, warnings %v, want one about %q in line %d", j.Problems, j.Warnings, c.field, c.line)
			}
		})
	}
	twice := strings.Replace(pullLine(1, 40), "{", `{"colour":"red",`, 1)
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, twice, strings.Replace(twice, `"seq":1`, `"seq":2`, 1)), streamOptions{})
	if len(j.Warnings) != 1 || j.Warnings[0].Count != 2 {
		t.Errorf("warnings %v, want one for both lines", j.Warnings)
	}
}

// Blank lines, CRLF and a byte order mark do no harm, and the last line needs
// no end.
func TestJudgeIsLiberalWithLines(t *testing.T) {
	text := "\xef\xbb\xbf" + wrenchHead + "\r\n\r\n  " + pullLine(1, 40) + "  \r\n\n" + pullLine(2, 40)
	j := mustJudge(t, plateProcedure(t, "C", 4), text, streamOptions{})
	if len(j.Pulls) != 2 || len(j.Problems)+len(j.Warnings) > 0 || j.Pulls[1].Line != 5 {
		t.Errorf("pulls %+v, problems %v, warnings %v", j.Pulls, j.Problems, j.Warnings)
	}
}

// A value keeps its digits and its unit; a trace is converted with it. 1 lbf·ft
// is 1.3558179483314004 N·m (NIST SP 811).
func TestStreamUnits(t *testing.T) {
	head := strings.Replace(wrenchHead, `"unit":"N·m"`, `"unit":"ft-lb"`, 1)
	s, err := loadStream(t.Context(), strings.NewReader(jsonl(head,
		`{"tool":"K2","seq":1,"t":1,"rx":1,"value":29.50,"unit":null,"trace":{"t":[0.5,0.5012,0.6],"torque":[1,2,10]}}`,
		`{"tool":"K2","seq":2,"t":2,"rx":2,"value":4e1,"unit":"Nm","trace":{"rate":833,"torque":[1,2],"angle":[0,0.5]}}`,
		`{"tool":"K2","seq":3,"t":3,"rx":3,"value":40,"unit":"N.m","trace":{"rate":7000,"torque":[1,2,3]}}`)))
	if err != nil || len(s.problems) > 0 {
		t.Fatal(err, s.problems)
	}
	a, b, c := s.records[0].reading, s.records[1].reading, s.records[2].reading
	if a.Text != "29.50" || !a.UnitAssumed || a.Unit != quantity.PoundFoot.Code() || a.Value != quantity.PoundFeet(29.5).Value() {
		t.Errorf("reading %+v", a)
	}
	if got := a.Trace.Torque[2]; math.Abs(got-13.558179483314004) > 1e-12 || !slices.Equal(a.Trace.TimesUs, []int64{0, 1200, 100000}) {
		t.Errorf("trace %+v", a.Trace)
	}
	if b.Text != "40" || b.UnitAssumed || b.Value != quantity.NewtonMetres(40).Value() || b.Trace.PeriodUs != 1200 {
		t.Errorf("reading %+v, trace %+v", b, b.Trace)
	}
	if !slices.Equal(c.Trace.TimesUs, []int64{0, 143, 286}) {
		t.Errorf("a period of %d µs would be too coarse for 7000 samples a second: %v", c.Trace.PeriodUs, c.Trace.TimesUs)
	}
}

// Whatever the stream holds, reading it ends, numbers every reading once and
// keeps time from going back; and what is judged fits the schema.
func FuzzStream(f *testing.F) {
	for _, s := range []string{
		"", wrenchHead, jsonl(wrenchHead, pullLine(1, 40), pullLine(3, 40), pullLine(3, 40), `{"release":true,"t":9}`),
		jsonl(wrenchHead, `{"place":{"step":"plate","fastener":"2"},"t":3}`, pullLine(18446744073709551615>>1, 44.1), `{"confirm":"lid"}`),
		jsonl(wrenchHead, `{"tool":"K2","seq":0,"t":3e9,"rx":3e9,"value":-40,"angle":-9,"trace":{"t":[3,2],"torque":[1,2]}}`, "\xff", `{}`, `null`),
		jsonl(strings.Replace(wrenchHead, `"N·m"`, "null", 1), pullLine(1, 29.5)),
	} {
		f.Add(s)
	}
	p, schema := plateProcedure(f, "A", 4), judgeSchemaOf(f)
	base := rules.New()
	mustJudge(f, p, strings.Replace(wrenchHead, "j-1", "base", 1), streamOptions{State: base})
	f.Fuzz(func(t *testing.T, text string) {
		s, err := loadStream(t.Context(), strings.NewReader(text))
		if err != nil {
			return
		}
		pulls, at := 0, int64(0)
		for _, r := range s.records {
			if r.kind == recordReading || r.kind == recordBroken {
				if pulls++; r.pull != pulls {
					t.Fatalf("reading %d has number %d", pulls, r.pull)
				}
			}
			if r.atUs < at {
				t.Fatalf("line %d: time goes back", r.line)
			}
			at = r.atUs
		}
		if pulls != s.pulls {
			t.Fatalf("%d readings, told %d", pulls, s.pulls)
		}
		j, err := judgeStream(t.Context(), p, s, streamOptions{State: base.Clone()})
		if err != nil {
			return
		}
		for _, c := range j.Pulls {
			if c.Became == "" {
				t.Errorf("pull %d became nothing", c.Pull)
			}
		}
		holdTo(t, schema, j)
	})
}

// What one pull of a joint of 24 bolts costs, reading and judging together.
func BenchmarkJudge24(b *testing.B) {
	for _, tier := range []string{"torque", "angle", "trace"} {
		b.Run(tier, func(b *testing.B) {
			p := plateProcedure(b, "B", 24)
			base := rules.New()
			text := stream24(tier)
			mustJudge(b, p, strings.Replace(text, "j-1", "base", 1), streamOptions{State: base})
			b.ReportAllocs()
			for b.Loop() {
				j := mustJudge(b, p, text, streamOptions{State: base.Clone()})
				if len(j.Pulls) != 24 {
					b.Fatal(len(j.Pulls))
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/24, "ns/pull")
		})
	}
}

// stream24 is a clean job of 24 pulls; a trace has 1,000 samples.
func stream24(tier string) string {
	head := wrenchHead
	if tier != "torque" {
		head = strings.Replace(head, `"angle_resolution":null,"duration":false`, `"angle_resolution":0.5,"duration":true`, 1)
	}
	if tier == "trace" {
		head = strings.Replace(head, `"trace_rate":null`, `"trace_rate":1000`, 1)
	}
	l := []string{head}
	for i := 1; i <= 24; i++ {
		value := 40 + 0.1*float64(i*7%11-5)
		s := pullLine(i, value)
		if tier != "torque" {
			s = strings.Replace(s, `"angle":null,"duration":null`, fmt.Sprintf(`"angle":%d,"duration":1`, 30+i*5%7), 1)
		}
		if tier == "trace" {
			var torque, angle []string
			for k := range 1000 {
				torque = append(torque, fmt.Sprintf("%.3f", value*float64(k)/999))
				angle = append(angle, fmt.Sprintf("%.2f", 35*float64(k)/999))
			}
			s = strings.TrimSuffix(s, "}") + `,"trace":{"rate":1000,"torque":[` + strings.Join(torque, ",") + `],"angle":[` + strings.Join(angle, ",") + `]}}`
		}
		l = append(l, s)
	}
	return jsonl(append(l, `{"release":true,"t":120}`)...)
}

// Streams that no shop should send are judged all the same: every reading
// becomes something that is told, and no bolt rests on a pull that another one
// rests on.
func TestJudgeStrangeStreams(t *testing.T) {
	many := func(n int, line func(i int) string) string {
		l := []string{strings.Replace(wrenchHead, `"angle_resolution":null`, `"angle_resolution":0.5`, 1)}
		for i := 1; i <= n; i++ {
			l = append(l, line(i))
		}
		return jsonl(append(l, `{"release":true,"t":1000}`)...)
	}
	with := func(i int, from, to string) string { return strings.Replace(pullLine(i, 40), from, to, 1) }
	schema := judgeSchemaOf(t)
	for name, text := range map[string]string{
		"a hundred pulls on four bolts": many(100, func(i int) string { return pullLine(i, 40+0.01*float64(i%7)) }),
		"angle never reported":          many(4, func(i int) string { return pullLine(i, 40) }),
		"negative angle":                many(4, func(i int) string { return with(i, `"angle":null`, `"angle":-30`) }),
		"negative torque":               many(4, func(i int) string { return with(i, `"value":40.0`, `"value":-40.0`) }),
		"counter restarts":              many(4, func(i int) string { return pullLine(i%2, 40+float64(i)/10) }),
		"counter jumps":                 many(4, func(i int) string { return pullLine(i*i*1000, 40) }),
		"all at once":                   many(4, func(i int) string { return fmt.Sprintf(`{"tool":"K2","seq":%d,"t":1,"rx":1,"value":40}`, i) }),
		"trace backwards": many(4, func(i int) string {
			return with(i, `"duration":null`, `"trace":{"t":[0.3,0.2,0.1,0],"torque":[1,10,20,40],"angle":[0,5,2,9]}`)
		}),
		"trace with gaps": many(4, func(i int) string {
			return with(i, `"duration":null`, `"trace":{"t":[0,0.1,0.2,5],"torque":[1,10,20,40],"angle":[0,5,8,9]}`)
		}),
	} {
		t.Run(name, func(t *testing.T) {
			j := mustJudge(t, plateProcedure(t, "A", 4), text, streamOptions{})
			holdTo(t, schema, j)
			if len(j.Problems) > 0 {
				t.Errorf("problems %v", j.Problems)
			}
			rests := map[int]string{}
			for _, f := range j.Fasteners {
				if other := rests[f.Pull]; other != "" && f.Pull > 0 {
					t.Errorf("fasteners %s and %s rest on pull %d", other, f.Fastener, f.Pull)
				}
				rests[f.Pull] = f.Fastener
				if f.Claim == claimWitnessed && f.Pull == 0 {
					t.Errorf("fastener %s is witnessed by no pull", f.Fastener)
				}
			}
			for _, p := range j.Pulls {
				if p.Became == "" || p.Became == becameOther {
					t.Errorf("pull %d became %q", p.Pull, p.Became)
				}
			}
		})
	}
}
