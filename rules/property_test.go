package rules

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// world feeds random facts to the rules.
type world struct {
	t     *rapid.T
	s     *State
	seq   uint64
	at    events.Instant
	facts []events.Entry
	log   []events.Decided
}

func snap(t *rapid.T, s *State) []byte {
	b, err := s.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// fold folds one entry as the service does.
func fold(s *State, e events.Entry) (events.Decided, bool) {
	out := Decide(s, e)
	if len(out) == 0 {
		return events.Decided{}, false
	}
	d := events.Decided{Cause: e.Seq, CauseUs: e.Time, Rules: Version, Outcomes: out}
	Evolve(s, d)
	return d, true
}

func (w *world) tell(d events.Data) {
	w.seq++
	e := events.Entry{Seq: w.seq, Event: events.Event{Source: "test", Number: w.seq, Time: w.at, Data: d}}
	w.facts = append(w.facts, e)
	before := snap(w.t, w.s)
	Decide(w.s, e)
	if !bytes.Equal(before, snap(w.t, w.s)) {
		w.t.Fatalf("Decide changed the state on %T %+v", d, d)
	}
	if dec, ok := fold(w.s, e); ok {
		w.log = append(w.log, dec)
	}
}

// procedures are the texts of the test procedures, by id.
func procedures(t testing.TB) map[string]string {
	out := map[string]string{}
	for _, id := range []string{"case", "joint", "strict", "play", "aviation", "loose", "asks", "hold"} {
		b, err := os.ReadFile(filepath.Join("testdata", "procedures", id+".yaml"))
		if err != nil {
			t.Fatal(err)
		}
		out[id] = string(b)
	}
	return out
}

// pick draws one of some words.
func pick(t *rapid.T, label string, words ...string) string {
	return rapid.SampledFrom(words).Draw(t, label)
}

// step draws and tells one fact; bench is where it happens.
func (w *world) step(bench, job, proc string) {
	t := w.t
	w.at = w.at.Add(time.Duration(rapid.IntRange(0, 120).Draw(t, "s")) * time.Second)
	a := events.Ask{By: pick(t, "by", "ines", "maren", "maren", "tomas", "quim"), Bench: bench, AtUs: w.at}
	st, k := w.anyPlace(job)
	recent := w.recent(bench)
	switch rapid.IntRange(0, 30).Draw(t, "do") {
	default:
		w.tell(w.pull(bench, job))
	case 13:
		w.tell(events.FastenerPointed{Ask: a, Job: job, Step: st, Fastener: k})
	case 14:
		w.tell(events.StepConfirmAsked{Ask: a, Job: job, Step: st})
	case 15:
		w.tell(events.DecisionAsked{Ask: a, Job: job, Step: st, Fastener: k, Choice: pick(t, "choice", events.ChoiceAccept, events.ChoiceRedo), Reason: "r"})
	case 16:
		w.tell(events.ReadingVoidAsked{Ask: a, Reading: recent, Reason: "r"})
	case 17:
		w.tell(events.ReadingClaimAsked{Ask: a, Reading: recent, Job: job, Step: st, Fastener: k, Reason: "r"})
	case 18:
		w.tell(events.ReadingDismissAsked{Ask: a, Reading: recent, Reason: "r"})
	case 19:
		w.tell(events.JobPauseAsked{Ask: a, Job: job})
	case 20:
		w.tell(events.JobResumeAsked{Ask: a, Job: job})
	case 21:
		w.tell(events.TimeReached{AtUs: w.at})
	case 22:
		w.tell(events.ReleaseAsked{Ask: a, Job: job})
	case 23:
		w.tell(events.CounterGapFound{Device: "k2", Tool: "k2", Bench: bench, After: 1, Next: 4})
	case 25, 26, 27, 28, 29, 30:
		w.attest(a, job)
	case 24:
		w.tell(events.JobAsked{Ask: a, Job: job, UnitSerial: "U", Procedure: proc})
	}
}

// recent draws the sequence number of one of the last readings at a bench.
func (w *world) recent(bench string) uint64 {
	back := rapid.IntRange(0, 6).Draw(w.t, "back")
	for i := len(w.facts) - 1; i >= 0; i-- {
		if r, ok := w.facts[i].Data.(events.ReadingTaken); ok && r.Bench == bench {
			if back == 0 {
				return w.facts[i].Seq
			}
			back--
		}
	}
	return 0
}

// anyPlace draws a step and a fastener of it, mostly real ones.
func (w *world) anyPlace(job string) (step, fastener string) {
	j := w.s.Jobs[job]
	if j == nil {
		return "none", ""
	}
	p := &j.Proc.Steps[rapid.IntRange(0, len(j.Proc.Steps)-1).Draw(w.t, "step")]
	if p.Joint == nil || rapid.IntRange(0, 9).Draw(w.t, "whole") == 0 {
		return p.ID, ""
	}
	return p.ID, p.Joint.Fasteners[rapid.IntRange(0, len(p.Joint.Fasteners)-1).Draw(w.t, "fastener")].ID
}

// pull draws a reading: mostly what is expected next, or else anything.
func (w *world) pull(bench, job string) events.ReadingTaken {
	t := w.t
	v, u := rapid.Float64Range(0, 150).Draw(t, "value"), quantity.NewtonMetre
	tool := pick(t, "tool", "k2", "k2", "k2", "s5", "old", "big", "nobody")
	if j := w.s.Jobs[job]; j != nil && rapid.IntRange(0, 3).Draw(t, "good") > 0 {
		if x, _, ok := j.expected(); ok {
			v, u = x.lsl.Base()+rapid.Float64Range(-0.1, 1.1).Draw(t, "share")*(x.usl.Base()-x.lsl.Base()), baseUnit(x.dim())
		}
	}
	mode := events.ModePeak
	if u == quantity.Millimetre {
		tool, mode = "d3", events.ModeSettled
	}
	return events.ReadingTaken{
		Device: tool, Tool: tool, Bench: bench, Mode: mode, Text: fmt.Sprintf("%.2f", v), Unit: u.Code(), Value: quantity.Of(v, u),
		ReceivedAtUs: w.at, ToolStatus: pick(t, "status", "", "", "", "", "ok", "overload", "battery_low"),
		Stale: rapid.IntRange(0, 30).Draw(t, "stale") == 0,
	}
}

func newWorld(t *rapid.T, texts map[string]string) *world {
	w := &world{t: t, s: New(), at: testStart}
	w.tell(events.ShopDescribed{Shop: testShop(), Hash: "1"})
	for _, id := range []string{"case", "joint", "strict", "play", "aviation", "loose", "asks", "hold"} {
		w.tell(events.ProcedureOffered{Ask: events.Ask{By: "maren", AtUs: w.at}, Text: texts[id], Hash: hash(texts[id])})
	}
	return w
}

// TestReplay: whatever happens, Decide does not touch the state, all decisions
// at once give the same state as a prefix, its snapshot and the rest, and
// decisions delivered twice change nothing.
func TestReplay(t *testing.T) {
	texts := procedures(t)
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t, texts)
		proc := pick(t, "procedure", "CASE", "JOINT", "STRICT", "PLAY", "AVIATION", "LOOSE", "ASKS", "HOLD")
		w.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: w.at}, Job: "J", UnitSerial: "U", Procedure: proc})
		for range rapid.IntRange(0, 60).Draw(t, "facts") {
			w.step("axle", "J", proc)
			w.check()
		}
		want := snap(t, w.s)
		cut := rapid.IntRange(0, len(w.log)).Draw(t, "cut")
		s := New()
		for _, d := range w.log[:cut] {
			Evolve(s, d)
			Evolve(s, d)
		}
		s, err := Restore(snap(t, s))
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range w.log[max(0, cut-3):] {
			Evolve(s, d)
		}
		if got := snap(t, s); !bytes.Equal(got, want) {
			t.Fatalf("replay differs\n got %s\nwant %s", got, want)
		}
		// And the facts decided again give the same decisions, from any machine.
		again := New()
		for _, e := range w.facts {
			fold(again, e)
		}
		if got := snap(t, again); !bytes.Equal(got, want) {
			t.Fatalf("deciding again differs\n got %s\nwant %s", got, want)
		}
	})
}

// check holds what must be so at every moment.
func (w *world) check() {
	for id, j := range w.s.Jobs {
		if (j.Status == JobActive) != (w.s.BenchJob[j.Bench] == id) {
			w.t.Fatalf("job %s is %s at %s, the bench has %q", id, j.Status, j.Bench, w.s.BenchJob[j.Bench])
		}
		for i := range j.Steps {
			w.checkStep(j, i)
		}
		w.checkLooseEnds(j)
		if step, pass, k, ok := w.s.NextFastener(j); ok {
			f := &j.Steps[step].Fasteners[k]
			if j.PointedStep == "" && (f.Held || f.doneIn(pass)) {
				w.t.Fatalf("next is a fastener that is held or done")
			}
		}
		for _, a := range j.Alerts {
			if w.s.Alerts[a] == nil {
				w.t.Fatalf("job %s has alert %s, which is not open", id, a)
			}
		}
		if d := w.s.NextDeadline(); d != 0 && d < testStart {
			w.t.Fatalf("deadline %d", d)
		}
	}
	for id, a := range w.s.Alerts {
		if a.Alert != id || a.Text == "" || a.Todo == "" {
			w.t.Fatalf("alert %s: %+v", id, a)
		}
	}
}

// checkStep: a done torque step has every fastener witnessed or accepted, and
// nothing held; promise 2.
func (w *world) checkStep(j *Job, i int) {
	st, p := &j.Steps[i], &j.Proc.Steps[i]
	if p.Joint == nil {
		if p.Measure != nil && st.Done && !st.Accepted && (st.Value == nil || !st.Value.counts()) {
			w.t.Fatalf("step %s is done without a value", p.ID)
		}
		return
	}
	all := true
	for k := range p.Joint.Fasteners {
		look := w.s.Look(j, i, k)
		if st.Done && look != LookWitnessed && look != LookDoubtful {
			w.t.Fatalf("step %s is done, fastener %d looks %s", p.ID, k, look)
		}
		all = all && st.complete(p.Joint, k)
	}
	if all = all && j.itemsDone(i) && (p.Hold == "" || st.HoldPassed); all != st.Done {
		w.t.Fatalf("step %s: all complete, answered and released %t, done %t", p.ID, all, st.Done)
	}
}

// TestBenchesInterleave: facts of two benches give each job the same, whether
// they come mixed or one after the other.
func TestBenchesInterleave(t *testing.T) {
	texts := procedures(t)
	rapid.Check(t, func(t *rapid.T) {
		one := newWorld(t, texts)
		setup := len(one.facts)
		benches := []string{"axle", "gearbox"}
		procs := []string{"STRICT", "CASE"}
		for i, b := range benches {
			one.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: b, AtUs: one.at}, Job: b, UnitSerial: "U", Procedure: procs[i]})
		}
		whose := []int{0, 1}
		for range rapid.IntRange(0, 30).Draw(t, "facts") {
			i := rapid.IntRange(0, 1).Draw(t, "bench")
			one.step(benches[i], benches[i], procs[i])
			whose = append(whose, i)
		}
		for i, b := range benches {
			alone := New()
			for _, e := range one.facts[:setup] {
				fold(alone, e)
			}
			for n, e := range one.facts[setup:] {
				if _, clock := e.Data.(events.TimeReached); whose[n] == i || clock {
					fold(alone, e)
				}
			}
			got, want := jobText(alone.Jobs[b]), jobText(one.s.Jobs[b])
			if got != want {
				t.Fatalf("job at %s differs: %s", b, cmp.Diff(strings.Split(got, " "), strings.Split(want, " ")))
			}
		}
	})
}

func jobText(j *Job) string {
	if j == nil {
		return "none"
	}
	c := *j
	c.Proc = nil
	// The index in an alert's id counts all that its cause raised, in any job.
	c.Alerts = make([]string, len(j.Alerts))
	for i, a := range j.Alerts {
		c.Alerts[i], _, _ = strings.Cut(a, "-")
	}
	b, err := json.Marshal(c)
	if err != nil {
		return err.Error()
	}
	return strings.ReplaceAll(string(b), ",", " ")
}

// A snapshot that is broken, or of other rules, is refused, not guessed at.
func TestRestoreRefuses(t *testing.T) {
	good, err := New().Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range [][]byte{nil, []byte("{"), []byte("{}"), bytes.Replace(good, []byte(`"Rules":"`+Version+`"`), []byte(`"Rules":"0"`), 1), bytes.Replace(good, fmt.Appendf(nil, `"Form":%d`, snapshotForm), []byte(`"Form":9`), 1)} {
		if _, err := Restore(b); err == nil {
			t.Errorf("restored %q", b)
		}
	}
}
