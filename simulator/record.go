package simulator

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"witnessmark/events/quantity"
)

// Recording is a script performed without lines: the bytes that each tool
// would have sent, when, and the readings and the truth that go with them.
type Recording struct {
	Seed     uint64
	Bytes    map[string][]byte  // by tool
	Writes   map[string][]Write // by tool, in order
	Readings []Reading          // bench by bench, in order of time
	Truths   []Truth            // as Script.Jobs
}

// Write is one write to a tool's line.
type Write struct {
	AtUs   int64 `json:"at_us"` // of its first byte
	Offset int   `json:"offset"`
	Bytes  int   `json:"bytes"`
}

// Reading is one value that a tool reported.
type Reading struct {
	AtUs     int64          `json:"at_us"`
	Tool     string         `json:"tool"`
	Bench    string         `json:"bench"`
	Text     string         `json:"text"`
	Unit     string         `json:"unit"`
	Value    quantity.Value `json:"value"`
	Counter  uint64         `json:"counter"`
	Job      string         `json:"job"`
	Step     string         `json:"step"`
	Pass     int            `json:"pass"`
	Fastener string         `json:"fastener,omitempty"`
	Fault    FaultKind      `json:"fault,omitempty"`
	Arrives  bool           `json:"arrives"`
}

// Record performs the script from Plan.Start on, at once and without lines.
// Each bench has its own clock. A D3 streams for 1.2 s at each measurement.
// The same script gives the same recording, byte for byte.
func (s *Script) Record() (*Recording, error) {
	rec := &Recording{Seed: s.Plan.Seed, Bytes: map[string][]byte{}, Writes: map[string][]Write{}}
	benchOf := map[string]string{}
	var order []string
	for _, j := range s.Jobs {
		rec.Truths = append(rec.Truths, j.Truth)
		if _, seen := benchOf["bench "+j.Job.Bench]; !seen {
			benchOf["bench "+j.Job.Bench] = j.Job.Bench
			order = append(order, j.Job.Bench)
		}
		for _, a := range j.Actions {
			if other, ok := benchOf[a.Tool]; ok && a.Tool != "" && other != j.Job.Bench {
				return nil, fmt.Errorf("record: tool %s is used at benches %s and %s; give each its own", a.Tool, other, j.Job.Bench)
			}
			if a.Tool != "" {
				benchOf[a.Tool] = j.Job.Bench
			}
		}
	}
	for _, bench := range order {
		if err := s.recordBench(rec, bench); err != nil {
			return nil, err
		}
	}
	return rec, nil
}

func (s *Script) recordBench(rec *Recording, bench string) error {
	r := &recorder{rec: rec, bench: bench, now: s.Plan.Start}
	tools := map[string]Tool{}
	for _, spec := range s.Plan.Tools {
		d, err := NewDevice(spec, &tape{r: r, tool: spec.ID}, r, s.Plan.Seed)
		if err != nil {
			return err
		}
		tools[spec.ID] = &recorded{Tool: d, r: r}
	}
	for _, j := range s.Jobs {
		if j.Job.Bench != bench {
			continue
		}
		stage := Stage{Tools: tools, Desk: &yes{refuse: j.Truth.Refused}, Clock: r,
			Saw: func(j Job, a Action) { r.job, r.action = j, a }}
		if _, err := j.run(context.Background(), stage); err != nil {
			return err
		}
	}
	return nil
}

// recorder is the clock of one bench and knows what is being done there.
type recorder struct {
	rec    *Recording
	bench  string
	now    time.Time
	job    Job
	action Action
}

func (r *recorder) Now() time.Time { return r.now }

func (r *recorder) Sleep(ctx context.Context, d time.Duration) error {
	r.now = r.now.Add(max(d, 0))
	return ctx.Err()
}

// tape is a line that keeps what is written to it.
type tape struct {
	r    *recorder
	tool string
	out  bool
}

func (t *tape) Read([]byte) (int, error) { return 0, os.ErrClosed }
func (t *tape) Close() error             { return nil }
func (t *tape) Plug(in bool) error       { t.out = !in; return nil }

func (t *tape) Write(b []byte) (int, error) {
	if t.out {
		return len(b), nil
	}
	rec := t.r.rec
	rec.Writes[t.tool] = append(rec.Writes[t.tool], Write{t.r.now.UnixMicro(), len(rec.Bytes[t.tool]), len(b)})
	rec.Bytes[t.tool] = append(rec.Bytes[t.tool], b...)
	return len(b), nil
}

// recorded is a tool that does at once what it would do while it runs.
type recorded struct {
	Tool
	r *recorder
}

func (t *recorded) Pull(ctx context.Context, p Pull, w Wire) (Sent, error) {
	s, err := t.Tool.Pull(ctx, p, w)
	if err != nil {
		return s, err
	}
	t.r.note(s)
	if d, ok := t.Tool.(interface{ play(context.Context) error }); ok {
		err = d.play(ctx)
	}
	return s, err
}

func (t *recorded) Measure(ctx context.Context, v quantity.Length, w Wire) (Sent, error) {
	d, ok := t.Tool.(*d3)
	if !ok {
		return t.Tool.Measure(ctx, v, w)
	}
	d.rest = t.r.Sleep
	s, err := d.Measure(ctx, v, w)
	if err != nil {
		return s, err
	}
	t.r.note(s)
	for range 60 {
		if err := d.send(); err != nil {
			return s, err
		}
		if err := t.r.Sleep(ctx, d3Rate); err != nil {
			return s, err
		}
	}
	return s, nil
}

// play sends what is queued as often as it must be sent until it is answered.
func (t *resender) play(ctx context.Context) error {
	for len(t.queue) > 0 {
		r := <-t.queue
		for i := range max(len(r.frames), r.deaf+1) {
			if i > 0 {
				if err := t.clock.Sleep(ctx, t.spec.Resend); err != nil {
					return err
				}
			}
			if err := t.write(ctx, r.frames[min(i, len(r.frames)-1)]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *recorder) note(s Sent) {
	a := r.action
	r.rec.Readings = append(r.rec.Readings, Reading{
		AtUs: s.At.UnixMicro(), Tool: s.Tool, Bench: r.bench, Text: s.Text, Unit: s.Unit.Code(), Value: s.Value,
		Counter: s.Counter, Job: r.job.ID, Step: a.Step, Pass: a.Pass, Fastener: a.Fastener, Fault: a.Fault, Arrives: s.Arrives,
	})
}

// yes grants everything, but refuses release once if it must be refused.
type yes struct{ refuse bool }

func (*yes) Open(context.Context, Job) error                         { return nil }
func (*yes) Confirm(context.Context, Job, string, string) error      { return nil }
func (*yes) Attest(context.Context, Job, Attested) error             { return nil }
func (*yes) Point(context.Context, Job, string, string) error        { return nil }
func (*yes) Find(context.Context, Job, string) (string, error)       { return "", nil }
func (*yes) Done(context.Context, Job, string) (bool, error)         { return true, nil }
func (*yes) Redo(context.Context, Job, string, string, string) error { return nil }
func (*yes) Tidy(context.Context, Job) error                         { return nil }

func (*yes) Scan(context.Context, Job, string, string) error             { return nil }
func (*yes) Part(context.Context, Job, string, string, PartAnswer) error { return nil }
func (*yes) Pair(context.Context, Job, string, string, []Hand) error     { return nil }
func (*yes) Recheck(context.Context, Job, string, string, bool) error    { return nil }

func (y *yes) Release(context.Context, Job) error {
	if y.refuse {
		y.refuse = false
		return ErrRefused
	}
	return nil
}

// Invented is what every recording says of itself.
const Invented = "Invented: made by the simulator. No tool, unit or shop in it exists."

// WriteDir writes the recording into a folder, in the form that the package
// comment describes. The folder is made if it is not there.
func (r *Recording) WriteDir(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	files := map[string][]byte{}
	for tool, b := range r.Bytes {
		files[tool+".bytes"] = b
		times, err := lines(r.Writes[tool])
		if err != nil {
			return err
		}
		files[tool+".times.jsonl"] = times
	}
	var err error
	if files["readings.jsonl"], err = lines(r.Readings); err != nil {
		return err
	}
	truth := struct {
		Note string  `json:"note"`
		Seed uint64  `json:"seed"`
		Jobs []Truth `json:"jobs"`
	}{Invented, r.Seed, r.Truths}
	if files["truth.json"], err = json.MarshalIndent(truth, "", "  "); err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			return fmt.Errorf("write recording: %w", err)
		}
	}
	return nil
}

// lines writes JSON Lines.
func lines[T any](all []T) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	for _, x := range all {
		if err := enc.Encode(x); err != nil {
			return nil, fmt.Errorf("write recording: %w", err)
		}
	}
	return b.Bytes(), nil
}
