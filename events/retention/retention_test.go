package retention

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/backup"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/events/seal"
)

func TestMain(m *testing.M) {
	if os.Getenv("RETENTION_TEST_DATA") == "" {
		os.Exit(m.Run())
	}
	a := applying(os.Getenv("RETENTION_TEST_DATA"), os.Getenv("RETENTION_TEST_ARCHIVE"))
	a.Step = func(what string) {
		if what == os.Getenv("RETENTION_TEST_STEP") {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	}
	_, err := Apply(context.Background(), a)
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// now is the day on which the tests remove; years are counted back from it.
var now = time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)

func yearsAgo(n int) events.Instant { return events.InstantOf(now.AddDate(-n, 0, -1)) }

// maker writes an invented shop's journal.
type maker struct {
	t testing.TB
	j *journal.Journal
}

func (m *maker) add(source string, at events.Instant, d events.Data) uint64 {
	m.t.Helper()
	seqs, err := m.j.Append(m.t.Context(), events.Event{Source: source, Time: at, Data: d})
	if err != nil {
		m.t.Fatal(err)
	}
	return seqs[0]
}

func (m *maker) decide(cause uint64, at events.Instant, os ...events.OutcomeData) {
	d := events.Decided{Cause: cause, CauseUs: at, Rules: "1"}
	for _, o := range os {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	m.add(events.SourceRules, at, d)
}

// pull is a traced pull of tool w1.
func pull(at events.Instant) events.ReadingTaken {
	r := events.ReadingTaken{Device: "d1", Tool: "w1", Bench: "axle", Mode: events.ModePeak, Text: "80.0", Unit: "N.m", Value: quantity.NewtonMetres(80).Value(),
		ReceivedAtUs: at, Bytes: bytes.Repeat([]byte("80.0;"), 40), Trace: &events.Trace{PeriodUs: 1000}}
	for i := range 200 {
		r.Trace.Torque = append(r.Trace.Torque, float64(i)*0.4)
	}
	return r
}

// job is a job with pulls, noise and a repeat; ended is how: "released",
// "abandoned" or "" for not.
func (m *maker) job(id string, at events.Instant, pulls int, ended string) {
	a := m.add(events.SourceDesk, at, events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: at}, Job: id, UnitSerial: "SN-" + id, Procedure: "RA-210"})
	m.decide(a, at, events.JobOpened{Job: id, UnitSerial: "SN-" + id, Customer: "Oswin Haulage", Procedure: "RA-210", Revision: "A", Bench: "axle", By: "ines", AtUs: at})
	facts := []uint64{a}
	for i := range pulls {
		r := pull(at)
		seq := m.add("device/d1", at, r)
		facts = append(facts, seq)
		m.decide(seq, at, events.ReadingJudged{Reading: seq, Job: id, Step: "cover", Fastener: fmt.Sprint(i + 1), Verdict: events.Within, Grade: events.Counted,
			Value: r.Value, Text: r.Text, Unit: r.Unit, LSL: quantity.NewtonMetres(75).Value(), USL: quantity.NewtonMetres(85).Value(), Tool: "w1", Bench: "axle", By: "ines", AtUs: at})
		m.add("device/d1", at, events.FrameRefused{Device: "d1", Tool: "w1", Bench: "axle", Bytes: []byte{0xff}, Reason: "noise", ReceivedAtUs: at})
	}
	switch ended {
	case "released":
		a := m.add(events.SourceDesk, at, events.ReleaseAsked{Ask: events.Ask{By: "maren", AtUs: at}, Job: id})
		m.decide(a, at, events.JobReleased{Job: id, By: "maren", AtUs: at, Facts: facts})
	case "abandoned":
		a := m.add(events.SourceDesk, at, events.AbandonAsked{Ask: events.Ask{By: "maren", AtUs: at}, Job: id, Reason: "case cracked"})
		m.decide(a, at, events.JobAbandoned{Job: id, By: "maren", Reason: "case cracked", AtUs: at})
	}
}

// shop makes the data directory of an invented shop, stopped: jobs of 12 years
// ago, one of them still open, one of last year, a check of the wrench.
func shop(t testing.TB, more func(*maker)) string {
	t.Helper()
	data := t.TempDir()
	cfg := applying(data, "").Shop
	j, err := journal.Open(t.Context(), cfg.Journal)
	if err != nil {
		t.Fatal(err)
	}
	m := &maker{t, j}
	old := yearsAgo(12)
	m.job("j-1", old, 5, "released")
	m.job("j-2", old, 3, "abandoned")
	c := m.add("device/d1", old, pull(old)) // of a check
	m.decide(c, old, events.CheckTaken{Check: "c1", Tool: "w1", Pair: events.CalibrationPair{ToolReading: c}})
	m.job("j-open", old, 3, "")
	m.job("j-3", old, 4, "released")
	typed := m.add(events.SourceDesk, old, events.ReadingTaken{Tool: "i1", Bench: "axle", Mode: events.ModeTyped, Text: "0.10", Unit: "mm", Value: quantity.Millimetres(0.1).Value(), By: "ines", Job: "j-3"})
	m.decide(typed, old, events.ReadingJudged{Reading: typed, Job: "j-3", Step: "end-play", Verdict: events.Within, Value: quantity.Millimetres(0.1).Value()})
	m.job("j-new", yearsAgo(1), 2, "released")
	if more != nil {
		more(m)
	}
	s, err := seal.New(t.Context(), seal.Config{Journal: j, Dir: cfg.Seals, Shop: cfg.ID, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Seal(t.Context(), seal.WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	m.add("device/d1", yearsAgo(0), pull(yearsAgo(0)))
	if err := errors.Join(s.Close(), ledger.Rebuild(t.Context(), j, cfg.Ledger, nil), j.Close()); err != nil {
		t.Fatal(err)
	}
	return data
}

func applying(data, archive string) Applying {
	return Applying{Shop: Shop{ID: "fenholt", Journal: journal.Config{Shop: "fenholt", Dir: filepath.Join(data, "journal"), MinFree: 1}, Seals: filepath.Join(data, "seals"), Ledger: filepath.Join(data, "ledger.db")},
		Archive: archive, Rule: Rule{Years: 10}, By: "ruth", Now: func() time.Time { return now }}
}

// with opens a shop's journal.
func with(t testing.TB, data string, fn func(j *journal.Journal)) {
	t.Helper()
	j, err := journal.Open(t.Context(), applying(data, "").Shop.Journal)
	if err != nil {
		t.Fatal(err)
	}
	fn(j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

func planned(t testing.TB, data string, rule Rule) (p *Plan) {
	t.Helper()
	made, err := newest(filepath.Join(data, "seals"))
	if err != nil {
		t.Fatal(err)
	}
	with(t, data, func(j *journal.Journal) {
		if p, err = Make(t.Context(), j, rule, made.Size, now); err != nil {
			t.Fatal(err)
		}
	})
	return p
}

func archived(t testing.TB, data string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "archive")
	p := planned(t, data, Rule{Years: 10})
	with(t, data, func(j *journal.Journal) {
		if _, err := Archive(t.Context(), j, p, dir, filepath.Join(data, "seals"), "fenholt", now); err != nil {
			t.Fatal(err)
		}
	})
	return dir
}

func applied(t testing.TB, data, archive string) *Applied {
	t.Helper()
	a, err := Apply(t.Context(), applying(data, archive))
	if err != nil {
		t.Fatal(err)
	}
	if !a.Verified.OK() {
		t.Fatalf("afterwards: %s", a.Verified.Text())
	}
	return a
}

func written(t testing.TB, data string) map[uint64]events.Written {
	t.Helper()
	out := map[uint64]events.Written{}
	with(t, data, func(j *journal.Journal) {
		if err := j.ReadWritten(t.Context(), 1, 0, func(ws []events.Written) error {
			for _, w := range ws {
				out[w.Seq] = w
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if h := j.Holes(); len(h) > 0 {
			t.Errorf("holes: %v", h)
		}
	})
	return out
}

// whole holds a shop against its seals and its ledger.
func whole(t *testing.T, data string) {
	t.Helper()
	with(t, data, func(j *journal.Journal) {
		r, err := seal.VerifyJournal(t.Context(), j, filepath.Join(data, "seals"), "fenholt", nil, nil)
		if err != nil || !r.OK() {
			t.Fatalf("verify: %v %s", err, r.Text())
		}
		l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(data, "ledger.db")})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(j.Read(t.Context(), l.Position()+1, 0, func(es []events.Entry) error { return l.Apply(t.Context(), es) }), l.Close()); err != nil {
			t.Fatal(err)
		}
		if diff, err := ledger.Check(t.Context(), j, filepath.Join(data, "ledger.db"), nil); err != nil || len(diff) > 0 {
			t.Fatalf("ledger and journal: %v %v", err, diff)
		}
	})
}

// wantGone are the pulls of j-1, j-2 and j-3. The noise beside j-3 stays: it
// belongs to no job, and j-open was open.
const wantGone = 5 + 3 + 4 + 5 + 3

func TestPlan(t *testing.T) {
	recall := func(listed bool) func(*maker) {
		return func(m *maker) {
			at := yearsAgo(0)
			a := m.add(events.SourceDesk, at, events.RecallAsked{Ask: events.Ask{By: "petra", AtUs: at}, Recall: "r1", Tool: "w1", Total: 1})
			out := []events.OutcomeData{events.RecallOpened{Recall: "r1", Tool: "w1", Total: 1, By: "petra", AtUs: at}}
			if listed {
				out = append(out, events.RecallListed{Recall: "r1", Lines: []events.RecallLine{{Line: 1, Job: "j-1", Reading: 3}}})
			}
			m.decide(a, at, out...)
		}
	}
	closed := func(m *maker) {
		recall(true)(m)
		a := m.add(events.SourceDesk, yearsAgo(0), events.RecallLineAsked{Recall: "r1", Lines: []int{1}, How: events.RecallAccepted})
		m.decide(a, yearsAgo(0), events.RecallClosed{Recall: "r1", By: "petra"})
	}
	for name, tt := range map[string]struct {
		more func(*maker)
		rule Rule
		jobs string
		gone int
		stay string
	}{
		"ten years":             {nil, Rule{Years: 10}, "j-1 j-2 j-3", wantGone, whyOpen},
		"for ever":              {nil, Rule{}, "", 0, whyForEver},
		"not old enough":        {nil, Rule{Years: 13}, "", 0, whyRecent},
		"a job is kept":         {nil, Rule{Years: 10, Jobs: []string{"j-1"}}, "j-2 j-3", 3 + 3 + 4, whyJob},
		"a procedure is kept":   {nil, Rule{Years: 10, Procedures: []string{"RA-210"}}, "", 0, whyProc + " RA-210"},
		"an open recall":        {recall(true), Rule{Years: 10}, "j-2 j-3", 3 + 3 + 4, "recall r1 of tool w1 is open and lists the job"},
		"a recall not yet read": {recall(false), Rule{Years: 10}, "", 0, "recall r1 of tool w1 is open and lists the job"},
		"a closed recall":       {closed, Rule{Years: 10}, "j-1 j-2 j-3", wantGone, whyOpen},
	} {
		t.Run(name, func(t *testing.T) {
			p := planned(t, shop(t, tt.more), tt.rule)
			var jobs []string
			for _, j := range p.Jobs {
				jobs = append(jobs, j.Job)
			}
			if got := strings.Join(jobs, " "); got != tt.jobs || len(p.Remove) < tt.gone || tt.gone == 0 && len(p.Remove) > 0 {
				t.Errorf("%d captures of the jobs %q go, want %d or more of %q", len(p.Remove), got, tt.gone, tt.jobs)
			}
			n, found := uint64(len(p.Remove)), false
			for _, s := range p.Stay {
				n += s.Captures
				found = found || s.Why == tt.stay
			}
			if !found || n != p.All.Captures {
				t.Errorf("stays: %+v, want %q among them and %d in all", p.Stay, tt.stay, p.All.Captures)
			}
		})
	}
	p := planned(t, shop(t, nil), Rule{Years: 10})
	if len(p.Remove) != wantGone {
		t.Errorf("%d captures go, want %d", len(p.Remove), wantGone)
	}
}

// TestApply: what is archived goes; every decision, request and verdict stays; seals,
// ledger, records, backups and a second run hold.
func TestApply(t *testing.T) {
	data := shop(t, nil)
	ctx := t.Context()
	recordBefore := record(t, data, "j-1") // seals once more
	before := written(t, data)
	doubts := doubtsOf(t, data)
	archive := archived(t, data)
	a := applied(t, data, archive)
	if a.Told != wantGone || a.Thinned.Removed != wantGone || a.Verified.Removed != wantGone || a.Thinned.BytesAfter >= a.Thinned.BytesBefore {
		t.Errorf("applied: told %d, thinned %+v, verified %d removed; want %d", a.Told, a.Thinned, a.Verified.Removed, wantGone)
	}
	after := written(t, data)
	gone := 0
	for seq, w := range before {
		switch got, there := after[seq]; {
		case !there && events.IsCapture(w.Type):
			gone++
		case !there || got != w:
			t.Errorf("J%d (%s) was %v, is %v", seq, w.Type, w, got)
		}
	}
	if gone != wantGone {
		t.Errorf("%d entries are gone, want %d", gone, wantGone)
	}
	whole(t, data)
	if d := cmp.Diff(doubts, doubtsOf(t, data)); d != "" || len(doubts) < 14 {
		t.Errorf("%d pulls of the wrench that a recall would look at (-before +after):\n%s", len(doubts), d)
	}

	// A record made before verifies as before, one made now says what was removed.
	key, _ := seal.Publics(filepath.Join(data, "seals"))
	for name, rec := range map[string]*seal.Record{"before": recordBefore, "after": record(t, data, "j-1")} {
		r, err := seal.VerifyRecord(rec, key)
		if err != nil || !r.OK() || r.Facts != 7 || !r.Released {
			t.Errorf("record made %s: %v %+v", name, err, r)
		}
		if name == "after" && (r.Removed != 5 || !strings.Contains(r.Text(), a.Sum)) {
			t.Errorf("record made after: %d removed, want 5; %s", r.Removed, r.Text())
		}
	}
	rec := record(t, data, "j-1")
	rec.Removed = rec.Removed[1:]
	if r, _ := seal.VerifyRecord(rec, key); r.OK() {
		t.Error("a record that hides a removed fact verifies")
	}

	// The log of seals can be made anew from the journal, and comes out the same.
	hashes := filepath.Join(data, "seals", "hashes")
	was, _ := os.ReadFile(hashes)
	os.Remove(hashes)
	record(t, data, "j-1")
	if is, _ := os.ReadFile(hashes); !bytes.HasPrefix(is, was) {
		t.Error("the log of seals, made anew, is another")
	}
	whole(t, data)

	// A backup of it restores.
	with(t, data, func(j *journal.Journal) {
		to := filepath.Join(t.TempDir(), "backup")
		if _, err := backup.Make(ctx, backup.Plan{Dir: to, Data: data, Shop: "fenholt", Source: j, Now: now}); err != nil {
			t.Fatal(err)
		}
		r, err := backup.Restore(ctx, backup.Restoring{Dir: to, Data: filepath.Join(t.TempDir(), "new")})
		if err != nil || !r.Verified.OK() || r.Verified.Removed != wantGone {
			t.Fatalf("restore a thinned shop: %v %+v", err, r)
		}
	})

	if again := applied(t, data, archive); again.Told != 0 || again.Thinned.Removed != 0 {
		t.Errorf("applied again: %+v", again)
	}
	if p := planned(t, data, Rule{Years: 10}); len(p.Remove) != 0 {
		t.Errorf("%d captures more would go", len(p.Remove))
	}
	if _, err := Check(ctx, archive, key); err != nil {
		t.Errorf("check the archive: %v", err)
	}
}

func record(t *testing.T, data, job string) (r *seal.Record) {
	t.Helper()
	with(t, data, func(j *journal.Journal) {
		s, err := seal.New(t.Context(), seal.Config{Journal: j, Dir: filepath.Join(data, "seals"), Shop: "fenholt", Now: func() time.Time { return now }})
		if err != nil {
			t.Fatal(err)
		}
		if r, err = s.Record(t.Context(), job, 1); err != nil {
			t.Fatal(err)
		}
		if sc, err := s.Scrub(t.Context(), 1e6); err != nil || sc.Gone+sc.Altered > 0 || sc.Seals != "" {
			t.Errorf("scrub: %v %+v", err, sc)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	})
	return r
}

// doubtsOf are the rows from which a recall of the wrench is made.
func doubtsOf(t *testing.T, data string) (out []string) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(data, "ledger.db"), ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var ids []int64
	err = l.EachToolPulls(t.Context(), "w1", 0, events.InstantOf(now), func(p *ledger.ToolPulls) error {
		for i := range p.Len() {
			var x ledger.ToolPull
			p.Read(i, &x)
			ids = append(ids, x.ID)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := l.DoubtRows(t.Context(), ids)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		out = append(out, fmt.Sprint(r.ID, r.Job, r.UnitSerial, r.Customer, r.Status, r.Counts, r.Fastener, r.Verdict, r.Value, r.LSL, r.USL, r.Tool, r.AtUs))
	}
	return out
}

// TestRefused: nothing is removed without an archive that holds, nor of what must
// stay by now.
func TestRefused(t *testing.T) {
	data := shop(t, nil)
	archive := archived(t, data)
	before := written(t, data)
	copyOf := func() string {
		to := filepath.Join(t.TempDir(), "a")
		if err := os.CopyFS(to, os.DirFS(archive)); err != nil {
			t.Fatal(err)
		}
		return to
	}
	for _, name := range []string{entriesFile, leavesFile, checkpointFile, manifestFile, sumFile, keysFile} {
		for _, at := range []float64{0.1, 0.5, 0.9} {
			dir := copyOf()
			path := filepath.Join(dir, name)
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			b[int(at*float64(len(b)))] ^= 4
			if err := os.WriteFile(path, b, 0o640); err != nil {
				t.Fatal(err)
			}
			if _, err := Apply(t.Context(), applying(data, dir)); !errors.Is(err, ErrArchive) && err == nil {
				t.Errorf("an archive with a flipped bit in %s was taken: %v", name, err)
			}
		}
	}
	if _, err := Apply(t.Context(), applying(data, t.TempDir())); err == nil {
		t.Error("applied without an archive")
	}
	elsewhere := applying(data, archive)
	elsewhere.Shop.Journal.URL = "nats://127.0.0.1:4222"
	if _, err := Apply(t.Context(), elsewhere); err == nil || !strings.Contains(err.Error(), "own embedded server") {
		t.Errorf("a journal at a NATS server: %v", err)
	}
	strict := applying(data, archive)
	strict.Rule.Jobs = []string{"j-3"}
	if _, err := Apply(t.Context(), strict); err == nil || !strings.Contains(err.Error(), "may not go now") {
		t.Errorf("a job that the shop keeps by now: %v", err)
	}
	with(t, data, func(j *journal.Journal) { // a recall opened meanwhile
		m := &maker{t, j}
		a := m.add(events.SourceDesk, yearsAgo(0), events.RecallAsked{Recall: "r1", Tool: "w1", Total: 1})
		m.decide(a, yearsAgo(0), events.RecallOpened{Recall: "r1", Tool: "w1", Total: 1}, events.RecallListed{Recall: "r1", Lines: []events.RecallLine{{Line: 1, Job: "j-2"}}})
	})
	if _, err := Apply(t.Context(), applying(data, archive)); err == nil || !strings.Contains(err.Error(), "may not go now") {
		t.Errorf("a recall opened since the archive: %v", err)
	}
	after := written(t, data)
	for seq, w := range before {
		if after[seq] != w {
			t.Errorf("J%d is gone or altered", seq)
		}
	}
}

// TestTampering: an entry more that is gone, or one that is altered, shows, also
// where what tells of the removal is altered with it.
func TestTampering(t *testing.T) {
	data := shop(t, nil)
	applied(t, data, archived(t, data))
	for name, change := range map[string]func(b []byte){
		"a decision altered":        func(b []byte) { b[bytes.Index(b, []byte(`"job":"j-1"`))+9] = 'x' },
		"what tells of it, altered": func(b []byte) { b[bytes.Index(b, []byte(`"leaves":"`))+30] ^= 1 },
	} {
		to := filepath.Join(t.TempDir(), "data")
		if err := os.CopyFS(to, os.DirFS(data)); err != nil {
			t.Fatal(err)
		}
		blocks, _ := filepath.Glob(filepath.Join(to, "journal", "jetstream", "*", "*", "*", "wm-fenholt", "msgs", "*.blk"))
		if len(blocks) == 0 {
			blocks, _ = filepath.Glob(filepath.Join(to, "journal", "jetstream", "jetstream", "*", "streams", "wm-fenholt", "msgs", "*.blk"))
		}
		if len(blocks) == 0 {
			t.Fatal("no block file")
		}
		b, err := os.ReadFile(blocks[0])
		if err != nil {
			t.Fatal(err)
		}
		change(b)
		if err := os.WriteFile(blocks[0], b, 0o640); err != nil {
			t.Fatal(err)
		}
		j, err := journal.Open(t.Context(), applying(to, "").Shop.Journal)
		if err != nil {
			continue // noticed
		}
		r, err := seal.VerifyJournal(t.Context(), j, filepath.Join(to, "seals"), "fenholt", nil, nil)
		if err == nil && r.OK() {
			t.Errorf("%s: not noticed", name)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestKilled: kill -9 at each point leaves a whole shop, which the next run takes
// to the same end.
func TestKilled(t *testing.T) {
	steps := []string{"archive checked", "first part told", "told", "sealed", "ledger brought up", "written", "old one out of the way", "new one in place", "old one deleted", "verified"}
	if testing.Short() {
		steps = []string{"first part told", "old one out of the way"}
	}
	source := shop(t, nil)
	archive := archived(t, source)
	before := written(t, source)
	for _, step := range steps {
		t.Run(step, func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			if err := os.CopyFS(data, os.DirFS(source)); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), "RETENTION_TEST_DATA="+data, "RETENTION_TEST_ARCHIVE="+archive, "RETENTION_TEST_STEP="+step)
			out, err := cmd.CombinedOutput()
			var exit *exec.ExitError
			if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
				t.Fatalf("not killed at %q: %v\n%s", step, err, out)
			}
			whole(t, data) // as the next start of the service finds it
			applied(t, data, archive)
			whole(t, data)
			after, gone := written(t, data), 0
			for seq, w := range before {
				switch got, there := after[seq]; {
				case !there && events.IsCapture(w.Type):
					gone++
				case got != w:
					t.Errorf("J%d (%s) is gone or altered", seq, w.Type)
				}
			}
			if gone != wantGone {
				t.Errorf("%d captures are gone, want %d", gone, wantGone)
			}
		})
	}
}
