package rules

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// A scenario is a text file: see testdata/scenarios/README.md.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/scenarios/*.txt")
	if err != nil || len(files) < 30 {
		t.Fatalf("found %d scenarios (%v), want at least 30", len(files), err)
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".txt"), func(t *testing.T) { runScenario(t, f) })
	}
}

// scene is a running scenario.
type scene struct {
	t     *testing.T
	s     *State
	seq   uint64
	at    events.Instant
	job   string
	reads map[string]uint64 // by label
	texts []string          // of the last line: alerts and refusals, for people
	log   []events.Decided
	facts []events.Entry
}

// testStart is the day of every test.
var testStart = events.InstantOf(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC))

func newScene(t *testing.T) *scene {
	c := &scene{t: t, s: New(), at: testStart, reads: map[string]uint64{}}
	c.tell(events.ShopDescribed{Shop: partsShop(shimShop(testShop())), Hash: "1"})
	return c
}

// testShop is an invented shop with a tool for each way of being wrong.
func testShop() events.Shop {
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	wrench := func(id string, least, most, u float64) events.Tool {
		return events.Tool{ID: id, Name: strings.ToUpper(id), Kind: events.ToolTorqueWrench, Serial: id, Least: nm(least), Most: nm(most), URel: u, Calibrated: "2026-06-01", Due: "2027-06-01", Class: "I C", Resolution: nm(0.1)}
	}
	k2 := wrench("k2", 5, 200, 0.01)
	k2.Resolution = nm(0.5) // so coarse that pulls are told alike now and then
	old := wrench("old", 5, 200, 0.01)
	old.Calibrated, old.Due = "2025-11-24", "2026-11-24"
	last := wrench("last", 5, 200, 0.01)
	last.Calibrated, last.Due = "2025-11-25", "2026-11-25"
	tester := wrench("tester", 5, 200, 0.005)
	tester.Kind = events.ToolTorqueTester
	small := wrench("small", 1, 40, 0.01)
	dial := events.Tool{ID: "d3", Name: "D3", Kind: events.ToolDialIndicator, Serial: "d3", Least: mm(0), Most: mm(12.7), UAbs: mm(0.003), Calibrated: "2026-06-01", Due: "2027-06-01", Resolution: mm(0.001), MaxError: mm(0.02), LimitSource: "the maker"}
	oldDial := dial
	oldDial.ID, oldDial.Name, oldDial.Serial, oldDial.Due = "d3old", "D3OLD", "d3old", "2026-11-01"
	return events.Shop{
		ID: "fenholt", Name: "Fenholt Driveline", Torque: "N.m", Length: "mm",
		Benches: []events.Bench{{ID: "axle", Name: "Axle"}, {ID: "gearbox", Name: "Gearbox"}},
		People: []events.Person{{ID: "ines", Name: "Ines", Role: events.RoleTechnician, Badge: "FD-0407"}, {ID: "tomas", Name: "Tomas", Role: events.RoleTechnician, Badge: "FD-0412", Code: "To"},
			{ID: "maren", Name: "Maren", Role: events.RoleLead}, {ID: "quim", Name: "Quim", Role: events.RoleMetrology}},
		Tools: append([]events.Tool{k2, wrench("s5", 5, 200, 0.01), old, last, tester, small, wrench("big", 60, 300, 0.01), dial, oldDial}, careTools()...),
		Boxes: []events.Box{{ID: "axle-box", Key: "U"}},
		Devices: []events.Device{{ID: "k2", Tool: "k2", Bench: "axle", Box: "axle-box"}, {ID: "old", Tool: "old", Bench: "axle"}, {ID: "small", Tool: "small", Bench: "axle"},
			{ID: "s5", Tool: "s5", Bench: "gearbox"}, {ID: "ref", Tool: "ref", Bench: "axle"}, {ID: "d3", Tool: "d3", Bench: "axle"}},
	}
}

// tell puts a fact through Decide and Evolve and checks what must hold of both
// always.
func (c *scene) tell(d events.Data) []events.Outcome {
	c.t.Helper()
	c.seq++
	e := events.Entry{Seq: c.seq, Event: events.Event{Source: "test", Number: c.seq, Time: c.at, Data: d}}
	before := mustSnapshot(c.t, c.s)
	out := Decide(c.s, e)
	if after := mustSnapshot(c.t, c.s); !bytes.Equal(before, after) {
		c.t.Fatalf("Decide changed the state: %s", cmp.Diff(string(before), string(after)))
	}
	again := Decide(c.s, e)
	if diff := cmp.Diff(out, again, valueCmp); diff != "" {
		c.t.Fatalf("Decide twice differs: %s", diff)
	}
	c.facts = append(c.facts, e)
	if len(out) == 0 {
		return nil
	}
	dec := events.Decided{Cause: e.Seq, CauseUs: e.Time, Rules: Version, Outcomes: out}
	c.log = append(c.log, dec)
	Evolve(c.s, dec)
	once := mustSnapshot(c.t, c.s)
	Evolve(c.s, dec)
	if !bytes.Equal(once, mustSnapshot(c.t, c.s)) {
		c.t.Fatal("a decision delivered twice changed the state")
	}
	return out
}

// valueCmp compares quantities by what they hold.
var valueCmp = cmp.Comparer(func(a, b quantity.Value) bool { return a == b })

func mustSnapshot(t testing.TB, s *State) []byte {
	t.Helper()
	b, err := s.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func runScenario(t *testing.T, file string) {
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c := newScene(t)
	sc := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; sc.Scan(); n++ {
		line, _, _ := strings.Cut(sc.Text(), "#")
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		do, want, checked := strings.Cut(line, "=>")
		c.texts = nil
		got := c.line(strings.TrimSpace(do))
		var wants []string
		for _, w := range strings.Split(want, ";") {
			if w = strings.Join(strings.Fields(w), " "); w != "" && w != "nothing" {
				wants = append(wants, w)
			}
		}
		if !checked && len(got) > 0 && slices.ContainsFunc(got, func(g string) bool { return strings.HasPrefix(g, "alert") || strings.HasPrefix(g, "refused") }) {
			checked = true // alerts and refusals are never passed over in silence
		}
		if !strings.Contains(want, "ask-again") { // said only where it matters
			got = slices.DeleteFunc(got, func(g string) bool { return strings.HasPrefix(g, "ask-again") })
			if len(got) == 0 {
				got = nil
			}
		}
		if diff := cmp.Diff(wants, got); checked && diff != "" {
			t.Errorf("%s:%d: %s\n   want %s\n    got %s\n%s", file, n, do, strings.Join(wants, "; "), strings.Join(got, "; "), indent(c.texts))
		}
	}
	c.replay()
}

func indent(lines []string) string {
	var b strings.Builder
	for _, l := range lines {
		b.WriteString("        | " + l + "\n")
	}
	return b.String()
}

// replay folds the decisions into a new state, and from a snapshot in the
// middle, and compares.
func (c *scene) replay() {
	want := mustSnapshot(c.t, c.s)
	for _, cut := range []int{0, len(c.log) / 2, len(c.log)} {
		s := New()
		for _, d := range c.log[:cut] {
			Evolve(s, d)
		}
		s, err := Restore(mustSnapshot(c.t, s))
		if err != nil {
			c.t.Fatal(err)
		}
		for _, d := range c.log { // the first ones are delivered again
			Evolve(s, d)
		}
		if got := mustSnapshot(c.t, s); !bytes.Equal(got, want) {
			c.t.Errorf("replay from decision %d differs: %s", cut, cmp.Diff(string(want), string(got)))
		}
	}
}

// line does what one line says and returns what came of it.
func (c *scene) line(do string) []string {
	c.t.Helper()
	f := strings.Fields(do)
	label := ""
	if l, ok := strings.CutSuffix(f[0], ":"); ok {
		label, f = l, f[1:]
	}
	if got, ok := c.ask(f[0]); ok {
		if len(f) > 1 && strings.Join(f[1:], " ") != got {
			c.t.Errorf("%s: got %s", do, got)
		}
		return nil
	}
	c.at = c.at.Add(10 * time.Second)
	w := words2(f)
	d := c.fact(f, w)
	if d == nil {
		return nil
	}
	out := c.tellLate(d, w["pulled"])
	if label != "" {
		c.reads[label] = c.seq
	}
	return c.tellAll(out)
}

// boxAhead is by how much the bench box's clock is wrong in all scenarios: it
// must not matter.
const boxAhead = 5 * time.Minute

// tellLate tells a fact, or, if it was taken earlier, that it comes late, and
// then it.
func (c *scene) tellLate(d events.Data, taken string) []events.Outcome {
	if taken == "" {
		return c.tell(d)
	}
	c.tell(events.ArrivalsLate{Box: "axle-box", Source: "test", From: c.seq + 2, To: c.seq + 2, AtUs: c.at})
	now := c.at
	c.at = c.clock(taken)
	defer func() { c.at = now }()
	switch x := d.(type) {
	case events.ReadingTaken:
		x.ReceivedAtUs = c.at.Add(boxAhead)
		return c.tell(x)
	case events.BadgeScanned:
		c.t.Fatal("only what a box captures comes late")
	}
	return c.tell(d)
}

// words2 finds the words that follow the small words of a line.
func words2(f []string) map[string]string {
	m := map[string]string{}
	keys := []string{"at", "by", "to", "using", "as", "of", "because", "says", "angle", "revision", "with", "course", "way",
		"rule", "readings", "points", "turns", "place", "point", "pulls", "number", "dated", "standing", "due", "within", "pulled"}
	for i := 0; i < len(f)-1; i++ {
		if slices.Contains(keys, f[i]) {
			m[f[i]] = f[i+1]
			if f[i] == "because" {
				m[f[i]] = strings.Join(f[i+1:], " ")
				break
			}
		}
	}
	return m
}

func (c *scene) askOf(w map[string]string) events.Ask {
	by := w["by"]
	if by == "" {
		by = "ines"
	}
	return events.Ask{By: by, Bench: w["at"], AtUs: c.at}
}

func (c *scene) jobOf(w map[string]string) string {
	if w["of"] != "" {
		return w["of"]
	}
	return c.job
}

func (c *scene) because(w map[string]string) string {
	if w["because"] == "" {
		return "a reason"
	}
	if w["because"] == "nothing" {
		return ""
	}
	return w["because"]
}

// fact makes the event that a line stands for.
func (c *scene) fact(f []string, w map[string]string) events.Data {
	c.t.Helper()
	a, job := c.askOf(w), c.jobOf(w)
	if d := c.partsFact(f, w); d != nil {
		return d
	}
	place := func(i int) (step, fastener string) { step, fastener, _ = strings.Cut(f[i], ":"); return }
	if d := c.shimFact(f, w, a, job); d != nil {
		return d
	}
	if d := c.attested(f, w, a, job); d != nil {
		return d
	}
	switch f[0] {
	case "clock":
		c.at = c.clock(f[1])
		return nil
	case "release-procedure":
		return c.offer(a, f[1], w)
	case "open":
		c.job = f[1]
		return events.JobAsked{Ask: a, Job: f[1], UnitSerial: "U-1", Procedure: w["using"], Revision: w["revision"]}
	case "pause":
		return events.JobPauseAsked{Ask: a, Job: job, Note: w["because"]}
	case "resume":
		return events.JobResumeAsked{Ask: a, Job: job}
	case "handover":
		a.Bench = ""
		return events.HandOverAsked{Ask: a, Job: job, ToPerson: w["to"], ToBench: w["at"], Note: w["because"]}
	case "confirm":
		return events.StepConfirmAsked{Ask: a, Job: job, Step: f[1]}
	case "point":
		s, k := place(1)
		return events.FastenerPointed{Ask: a, Job: job, Step: s, Fastener: k}
	case "claim":
		s, k, _ := strings.Cut(w["as"], ":")
		return events.ReadingClaimAsked{Ask: a, Reading: c.reads[f[1]], Job: job, Step: s, Fastener: k, Reason: c.because(w)}
	case "dismiss":
		return events.ReadingDismissAsked{Ask: a, Reading: c.reads[f[1]], Reason: c.because(w)}
	case "void":
		return events.ReadingVoidAsked{Ask: a, Reading: c.reads[f[1]], Reason: c.because(w)}
	case "accept", "redo":
		s, k := place(1)
		return events.DecisionAsked{Ask: a, Job: job, Step: s, Fastener: k, Choice: f[0], Reason: c.because(w)}
	case "answer":
		q := ""
		if j := c.s.Jobs[job]; j != nil && j.Question != nil {
			q = j.Question.Question
			for _, x := range j.Question.Choices {
				c.texts = append(c.texts, x.Key+": "+x.Text)
			}
		}
		return events.QuestionAnswered{Ask: a, Job: job, Question: q, Choice: f[1]}
	case "turned":
		s, k := place(1)
		return events.ClosingTurnReported{Ask: a, Job: job, Step: s, Fastener: k}
	case "audit":
		s, k := place(1)
		return events.ResidualAuditAsked{Ask: a, Job: job, Step: s, Fastener: k, Method: events.ResidualMethod(w["with"])}
	case "calibrate", "pair", "undo-pair", "close-calibration", "drop-calibration", "check", "drop-check", "certificate", "move", "adjust", "override", "assign":
		return c.careFact(f, w, a)
	case "ack":
		return events.AlertAckAsked{Ask: a, Alert: c.alert(f[1])}
	case "settle":
		return events.AlertSettleAsked{Ask: a, Alert: c.alert(f[1]), Reason: c.because(w)}
	case "release":
		return events.ReleaseAsked{Ask: a, Job: job}
	case "abandon":
		return events.AbandonAsked{Ask: a, Job: job, Reason: c.because(w)}
	case "time":
		c.at = c.clock(f[1])
		return events.TimeReached{AtUs: c.at}
	case "gap":
		after, _ := strconv.ParseUint(f[2], 10, 64)
		next, _ := strconv.ParseUint(f[3], 10, 64)
		return events.CounterGapFound{Device: f[1], Tool: f[1], Bench: c.bench(w), After: after, Next: next, Restart: next < after}
	case "recall", "close-line":
		return c.recallFact(a, f, w)
	case "cut", "back":
		return events.BoxLinkChanged{Box: f[1], Up: f[0] == "back", AtUs: c.at}
	case "box-clock":
		off, err := time.ParseDuration(f[2])
		if err != nil {
			c.t.Fatal(err)
		}
		return events.ClockCompared{Box: f[1], AheadUs: off.Microseconds(), RoundTripUs: 400, LimitUs: 30e6, AtUs: c.at}
	case "clock-set": // clock-set 1h: the machine's clock is set forward
		by, err := time.ParseDuration(f[1])
		if err != nil {
			c.t.Fatal(err)
		}
		return events.ClockStepped{FromUs: c.at, ToUs: c.at.Add(by), ByUs: by.Microseconds(), AtUs: c.at}
	case "restored": // restored 40 lost|moved: the journal goes on from a backup of 40 entries
		last, err := strconv.ParseUint(f[1], 10, 64)
		if err != nil {
			c.t.Fatal(err)
		}
		return events.ShopRestored{Backup: "0123456789abcdef", Manifest: "ab12", Last: last, Moved: f[2] == "moved", MadeUs: c.at, RestoredUs: c.at, AtUs: c.at}
	case "box-lost":
		return events.ArrivalMissing{Box: f[1], AtUs: c.at}
	case "noise":
		return events.FrameRefused{Device: f[1], Tool: f[1], Bench: c.bench(w), Reason: "noise"}
	}
	return c.reading(f, w)
}

func (c *scene) bench(w map[string]string) string {
	if w["at"] != "" {
		return w["at"]
	}
	if j := c.s.Jobs[c.job]; j != nil {
		return j.Bench
	}
	return "axle"
}

// reading makes a reading of "K2 35.3 N·m": tool, number, unit.
func (c *scene) reading(f []string, w map[string]string) events.Data {
	c.t.Helper()
	mode := events.ModePeak
	if f[0] == "typed" {
		mode, f = events.ModeTyped, f[1:]
	}
	if len(f) < 3 {
		c.t.Fatalf("cannot read the line %q", strings.Join(f, " "))
	}
	v, err := strconv.ParseFloat(f[1], 64)
	u, err2 := quantity.ParseUnit(f[2])
	if err != nil || err2 != nil {
		c.t.Fatalf("cannot read the line %q: %v %v", strings.Join(f, " "), err, err2)
	}
	r := events.ReadingTaken{
		Tool: strings.ToLower(f[0]), Bench: c.bench(w), Mode: mode, Text: f[1], Unit: u.Code(), Value: quantity.Of(v, u),
		ToolStatus: w["says"], ReceivedAtUs: c.at, Stale: slices.Contains(f, "stale"),
	}
	if mode == events.ModeTyped {
		r.By, r.Job = w["by"], c.jobOf(w)
	} else {
		r.Device = r.Tool
		if u.Dimension() == quantity.DimLength {
			r.Mode = events.ModeSettled
		}
		if u.Dimension() == quantity.DimForce {
			r.Stroke = course(w["course"], r.Value.Base(), w["way"])
		}
	}
	if deg, err := strconv.ParseFloat(strings.TrimSuffix(w["angle"], "°"), 64); err == nil {
		r.Angle = quantity.Degrees(deg).Value()
	}
	return r
}

func (c *scene) offer(a events.Ask, file string, w map[string]string) events.Data {
	text, err := os.ReadFile(filepath.Join("testdata/procedures", file+".yaml"))
	if err != nil {
		c.t.Fatal(err)
	}
	if w["by"] == "" {
		a.By = "maren"
	}
	sum := sha256.Sum256(text)
	return events.ProcedureOffered{Ask: a, Text: string(text), Hash: hex.EncodeToString(sum[:])}
}

// clock reads "09:30" or "2 09:30", the second day; days are written 2/09:30.
func (c *scene) clock(s string) events.Instant {
	c.t.Helper()
	day, hm, ok := strings.Cut(s, "/")
	if !ok {
		day, hm = "1", s
	}
	n, err := strconv.Atoi(day)
	t, err2 := time.Parse("15:04:05", (hm + ":00:00")[:8])
	if err != nil || err2 != nil {
		c.t.Fatalf("cannot read the time %q", s)
	}
	midnight := testStart.Time().Truncate(24*time.Hour).AddDate(0, 0, n-1)
	return events.InstantOf(midnight.Add(t.Sub(t.Truncate(24 * time.Hour))))
}

// alert returns the id of the open alert of a kind.
func (c *scene) alert(kind string) string {
	for id, a := range c.s.Alerts {
		if string(a.Kind) == kind {
			return id
		}
	}
	return kind
}

// ask answers the lines that only look.
func (c *scene) ask(word string) (string, bool) {
	word, place, _ := strings.Cut(word, "(")
	place = strings.TrimSuffix(place, ")")
	j := c.s.Jobs[c.job]
	switch word {
	case "next":
		if j == nil {
			return "none", true
		}
		step, pass, k, ok := c.s.NextFastener(j)
		if !ok {
			return "none", true
		}
		p := j.Proc.Steps[step]
		return p.ID + "." + dashed(p.Joint.Passes[pass].Name) + ":" + p.Joint.Fasteners[k].ID, true
	case "look":
		step, id, _ := strings.Cut(place, ":")
		p, i := j.Proc.Step(step)
		return string(c.s.Look(j, i, p.Joint.Fastener(id))), true
	case "alerts":
		var kinds []string
		for _, a := range c.s.Alerts {
			kinds = append(kinds, string(a.Kind))
		}
		slices.Sort(kinds)
		return orNone(kinds), true
	case "tool", "refused-tools", "pairing":
		return c.careAsk(word, place), true
	case "open-work":
		return fmt.Sprint(len(c.s.OpenWork(j))), true
	case "loose-ends":
		return fmt.Sprint(len(j.OpenLooseEnds())), true
	case "ahead":
		_, i := j.Proc.Step(place)
		c.texts = append(c.texts, j.Ahead(i)...)
		return fmt.Sprint(len(j.Ahead(i))), true
	case "technician":
		return j.Technician, true
	case "unplaced":
		return fmt.Sprint(len(c.s.Unplaced)), true
	case "jobs":
		return fmt.Sprint(len(c.s.Jobs)), true
	}
	return "", false
}

func orNone(s []string) string {
	if len(s) == 0 {
		return "none"
	}
	return strings.Join(s, " ")
}

func dashed(s string) string { return strings.ReplaceAll(s, " ", "-") }

// tellAll writes outcomes in the words of the scenarios.
func (c *scene) tellAll(out []events.Outcome) []string {
	var got []string
	for _, o := range out {
		switch o.Data.(type) {
		case events.PullWeighed, events.WitnessWeighed, events.CyclesLost, events.CycleOverloaded:
			continue // said by what comes of them
		}
		got = append(got, c.tellOne(o.Data))
	}
	return got
}

func (c *scene) tellOne(o events.OutcomeData) string {
	if s, ok := c.partsTell(o); ok {
		return s
	}
	spot := func(step, fastener string) string { return strings.TrimSuffix(step+":"+fastener, ":") }
	switch o := o.(type) {
	case events.ReadingJudged:
		return c.tellJudged(o)
	case events.ReadingUnplaced:
		c.texts = append(c.texts, "unplaced: "+o.Why)
		return "unplaced"
	case events.PullSetAside:
		c.texts = append(c.texts, "aside: "+o.Why)
		return "aside " + string(o.Kind) + " " + spot(o.Step, o.Fastener)
	case events.QuestionAsked:
		c.texts = append(c.texts, "question: "+o.Text)
		return "question " + o.Step
	case events.QuestionSettled:
		return "question-settled"
	case events.LearningForgotten:
		return "forgotten " + o.Step
	case events.ResidualAuditOpened:
		return "audit-opened " + spot(o.Step, o.Fastener)
	case events.ResidualJudged:
		c.texts = append(c.texts, "audit: "+o.Text)
		if o.Agrees {
			return "audit agrees " + spot(o.Step, o.Fastener)
		}
		return "audit differs " + spot(o.Step, o.Fastener)
	case events.CalibrationOpened, events.CalibrationTaken, events.CalibrationUndone, events.CalibrationJudged, events.CalibrationDropped, events.CheckOpened,
		events.CheckTaken, events.CheckJudged, events.CheckDropped, events.ReadingPassedOver, events.ToolMoved, events.ToolAdjusted, events.CertificateEntered,
		events.OverrideGiven, events.ReadingAssigned:
		return c.tellCare(o)
	case events.ReadingDismissed:
		return "dismissed"
	case events.ReadingVoided:
		return "voided " + spot(o.Step, o.Fastener)
	case events.ProcedureReleased:
		return "procedure " + o.Procedure + " " + o.Revision
	case events.JobOpened:
		return "opened"
	case events.JobPaused:
		return "paused"
	case events.JobResumed:
		return "resumed at " + o.Bench + " by " + o.By
	case events.JobHandedOver:
		return "handed to " + o.To + " at " + o.Bench
	case events.StepFinished:
		return "done " + o.Step
	case events.StepReopened:
		return "reopened " + o.Step
	case events.FastenerPlaced:
		return "pointed"
	case events.DeviationAccepted:
		return "accepted " + spot(o.Step, o.Fastener) + " was " + o.Was
	case events.FastenerReset:
		return "reset " + spot(o.Step, o.Fastener)
	case events.AlertRaised:
		return c.tellAlert(o)
	case events.AlertAcknowledged:
		return "acknowledged"
	case events.JobNoted:
		if strings.Contains(o.Text, "may be missing") {
			return "noted " + o.Kind + " possible gap"
		}
		return "noted " + o.Kind
	case events.ReadingCameLate:
		return "late"
	case events.BoxNoted:
		if o.Away {
			return "away " + o.Box
		}
		return "here " + o.Box
	case events.AlertSettled:
		for _, d := range c.log {
			for _, r := range d.Outcomes {
				if a, ok := r.Data.(events.AlertRaised); ok && a.Alert == o.Alert {
					return "settled " + string(a.Kind)
				}
			}
		}
	case events.JobReleased:
		return "released"
	case events.JobAbandoned:
		return "abandoned"
	case events.RequestRefused:
		c.texts = append(c.texts, append([]string{"refused: " + o.Text + ". " + o.Todo}, o.Items...)...)
		return "refused " + o.Code
	case events.DeadlineSet:
		if o.AtUs == 0 {
			return "ask-again never"
		}
		return "ask-again " + o.AtUs.Time().Format("15:04:05")
	default:
		if s := c.tellAttested(o); s != "" {
			return s
		}
		if s := c.tellShims(o); s != "" {
			return s
		}
	}
	if s := tellRecall(o); s != "" {
		return s
	}
	return fmt.Sprintf("%T", o)
}

func (c *scene) tellJudged(o events.ReadingJudged) string {
	s := o.Step
	if p, _ := c.s.Jobs[o.Job].Proc.Step(o.Step); p.Press != nil {
		s += ":" + o.Fastener
	} else if o.Fastener != "" {
		p, _ := c.s.Jobs[o.Job].Proc.Step(o.Step)
		s += "." + dashed(p.Joint.Passes[o.Pass].Name) + ":" + o.Fastener
	}
	s += " " + string(o.Verdict)
	if o.Held {
		s += " held"
	}
	if o.Grade == events.Placed || o.Grade == events.Reasoned {
		s += " " + string(o.Grade)
	}
	if o.Claimed != "" {
		s += " claimed"
	}
	return s
}

func (c *scene) tellAlert(o events.AlertRaised) string {
	c.texts = append(c.texts, string(o.Kind)+": "+o.Text+" "+o.Todo)
	s := "alert " + string(o.Kind)
	if o.Step != "" {
		s += " " + o.Step
	}
	if len(o.Fasteners) > 0 {
		s += ":" + strings.Join(o.Fasteners, ",")
	}
	if len(o.Items) > 0 {
		s += "[" + strings.Join(o.Items, ",") + "]"
	}
	if !o.Blocks {
		s += " advisory"
	}
	return s
}
