package seal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"
	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
)

const day = events.Instant(1_772_438_400_000_000)

// shop writes an invented journal: a procedure, two jobs whose readings take
// turns, and the release of the first.
type shop struct {
	t     *testing.T
	j     *journal.Memory
	n     map[string]uint64
	facts map[string][]uint64 // by job
}

func newShop(t *testing.T) *shop {
	s := &shop{t: t, j: journal.NewMemory("fenholt"), n: map[string]uint64{}, facts: map[string][]uint64{}}
	t.Cleanup(func() { _ = s.j.Close() })
	return s
}

func (s *shop) add(source string, d events.Data) uint64 {
	s.t.Helper()
	s.n[source]++
	seqs, err := s.j.Append(s.t.Context(), events.Event{Source: source, Number: s.n[source], Time: day + events.Instant(s.j.Last())*1e6, Subject: "a b%", Data: d})
	if err != nil {
		s.t.Fatal(err)
	}
	return seqs[0]
}

// tell adds a fact of a job and the decision on it.
func (s *shop) tell(job, source string, d events.Data, outcomes ...events.OutcomeData) {
	s.t.Helper()
	seq := s.add(source, d)
	dec := events.Decided{Cause: seq, CauseUs: day, Rules: "2"}
	for _, o := range outcomes {
		if r, ok := o.(events.JobReleased); ok {
			r.Facts = s.facts[job]
			o = r
		}
		if r, ok := o.(events.ReadingJudged); ok {
			r.Reading = seq
			o = r
		}
		dec.Outcomes = append(dec.Outcomes, events.Outcome{Data: o})
	}
	s.add(events.SourceRules, dec)
	if job != "" {
		s.facts[job] = append(s.facts[job], seq)
	}
}

func (s *shop) pull(job string, nm float64, fastener string) {
	s.t.Helper()
	v := quantity.NewtonMetres(nm).Value()
	text := fmt.Sprintf("%.1f", nm)
	s.tell(job, "device/k2", events.ReadingTaken{Device: "k2", Tool: "k2", Bench: "axle", Mode: events.ModePeak, Text: text, Unit: "N.m", Value: v, ReceivedAtUs: day, Bytes: []byte("#" + text + "\r\n")},
		events.ReadingJudged{Job: job, Step: "cover", Fastener: fastener, Verdict: events.Within, Value: v, Text: text, Unit: "N.m", Tool: "k2", By: "ines", AtUs: day})
}

func (s *shop) work() {
	ask := events.Ask{By: "maren", AtUs: day}
	s.tell("", "desk", events.ProcedureOffered{Ask: ask, Text: "procedure: RA-210\n", Hash: "ab"},
		events.ProcedureReleased{Procedure: "RA-210", Revision: "B", Hash: "ab", Text: "procedure: RA-210\n", By: "maren", AtUs: day})
	for _, job := range []string{"j-1", "j-2"} {
		s.tell(job, "desk", events.JobAsked{Ask: ask, Job: job, UnitSerial: "RA-77120", Procedure: "RA-210"},
			events.JobOpened{Job: job, UnitSerial: "RA-77120", Procedure: "RA-210", Revision: "B", Hash: "ab", Bench: "axle", By: "ines", AtUs: day})
	}
	for i := range 6 {
		s.pull("j-1", 24+float64(i)/10, fmt.Sprint(i+1))
		s.pull("j-2", 34+float64(i)/10, fmt.Sprint(i+1))
	}
	s.tell("j-1", "desk", events.AlertAckAsked{Ask: ask, Alert: "A9-0"}, events.RequestRefused{Request: "alert_ack.asked", Job: "j-1", Code: "unknown_alert", Text: "there is none"})
	s.tell("j-1", "desk", events.ReleaseAsked{Ask: ask, Job: "j-1"}, events.JobReleased{Job: "j-1", By: "maren", AtUs: day})
}

func (s *shop) sealer() *Sealer {
	s.t.Helper()
	x, err := New(s.t.Context(), Config{Journal: s.j, Dir: s.t.TempDir(), Shop: "fenholt", Now: func() time.Time { return day.Time() }})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { _ = x.Close() })
	return x
}

// The log's root is that of RFC 6962 as golang.org/x/mod/sumdb/tlog computes
// it, at every size, however the entries came in and after opening again.
func TestRootIsThatOfTheLibrary(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp("", "seal")
		if err != nil {
			rt.Fatal(err)
		}
		defer os.RemoveAll(dir)
		l, err := OpenLog(dir)
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { _ = l.Close() }()
		n := rapid.IntRange(0, 70).Draw(rt, "entries")
		var all []events.Written
		for seq := uint64(1); len(all) < n; seq++ {
			if rapid.IntRange(0, 9).Draw(rt, "hole") > 0 {
				all = append(all, events.Written{Seq: seq, Source: "desk", ID: fmt.Sprint(seq), Data: "{}"})
			}
		}
		for rest := all; len(rest) > 0; {
			k := rapid.IntRange(1, len(rest)).Draw(rt, "batch")
			if err := l.Add(rest[:k]); err != nil {
				rt.Fatal(err)
			}
			rest = rest[k:]
			want, err := tlog.TreeHash(int64(l.Size()), l)
			if err != nil {
				rt.Fatal(err)
			}
			if l.Root() != want {
				rt.Fatalf("root over %d entries differs from the library's", l.Size())
			}
			if rapid.Bool().Draw(rt, "reopen") {
				if err := l.Close(); err != nil {
					rt.Fatal(err)
				}
				if l, err = OpenLog(dir); err != nil {
					rt.Fatal(err)
				}
				if l.Root() != want {
					rt.Fatal("another root after opening again")
				}
			}
		}
	})
}

// The root of the tree of eight leaves and its prefixes are those of the
// Certificate Transparency test vectors (google/certificate-transparency,
// merkletree tests: inputs of 0, 1, 1, 2, 2, 4, 8 and 16 bytes; the roots are
// from memory and agree with the library's own).
func TestPublishedRoots(t *testing.T) {
	inputs := []string{"", "\x00", "\x10", "\x20\x21", "\x30\x31", "\x40\x41\x42\x43", "\x50\x51\x52\x53\x54\x55\x56\x57", "\x60\x61\x62\x63\x64\x65\x66\x67\x68\x69\x6a\x6b\x6c\x6d\x6e\x6f"}
	want := map[int]string{
		1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	var r roots
	for i, in := range inputs {
		r.add(tlog.RecordHash([]byte(in)))
		h := r.hash()
		if w, ok := want[i+1]; ok && fmt.Sprintf("%x", h[:]) != w {
			t.Errorf("root of %d leaves: got %x, want %s", i+1, h[:], w)
		}
	}
}

func record(t *testing.T) (*Record, []string) {
	t.Helper()
	s := newShop(t)
	s.work()
	x := s.sealer()
	r, err := x.Record(t.Context(), "j-1", 1)
	if err != nil {
		t.Fatal(err)
	}
	return r, []string{x.Public()}
}

func TestRecordHolds(t *testing.T) {
	rec, keys := record(t)
	r, err := VerifyRecord(rec, keys)
	if err != nil || !r.OK() || len(r.Notes) > 0 {
		t.Fatalf("a whole record: %+v, %v", r, err)
	}
	// the procedure, then opening, six pulls, a refusal and the release; each with its decision
	if r.Facts != 9 || r.Entries != 20 || !r.Released || r.Procedure != "RA-210 revision B" {
		t.Errorf("result %+v, want 9 facts in 20 entries, released", r)
	}
	b, err := json.Marshal(rec)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(b), "j-2") {
		t.Error("the record tells of another job")
	}
}

// TestEveryAlterationIsCaught alters each field of a record file in turn, in
// its JSON: of entries, proofs, checkpoint and head.
func TestEveryAlterationIsCaught(t *testing.T) {
	rec, keys := record(t)
	n := 0
	for path, alter := range alterations(rec) {
		var c Record
		clone(t, rec, &c)
		alter(&c)
		r, err := VerifyRecord(&c, keys)
		// A record whose release was cut off is that of an open job, and says so.
		if err == nil && r.OK() && r.Released {
			t.Errorf("%s: altered, and nothing was found", path)
		}
		n++
	}
	t.Logf("%d alterations caught", n)
	if n < 20*8 {
		t.Errorf("only %d alterations were tried", n)
	}
}

// alterations changes one thing each: every field of every entry, every hash
// of every proof, the parts of the head, and the place of each entry.
func alterations(rec *Record) map[string]func(*Record) {
	out := map[string]func(*Record){
		"form":       func(r *Record) { r.Form = 2 },
		"shop":       func(r *Record) { r.Shop += "x" },
		"job":        func(r *Record) { r.Job += "x" },
		"checkpoint": func(r *Record) { r.Checkpoint = strings.Replace(r.Checkpoint, "fenholt", "fenhold", 1) },
	}
	for i, e := range rec.Entries {
		for f := range reflect.TypeFor[events.Written]().NumField() {
			name := reflect.TypeFor[events.Written]().Field(f).Name
			out[fmt.Sprintf("entry J%d %s", e.Seq, name)] = func(r *Record) {
				switch v := reflect.ValueOf(&r.Entries[i].Written).Elem().Field(f); v.Kind() {
				case reflect.String:
					v.SetString(v.String() + " ")
				case reflect.Uint64:
					v.SetUint(v.Uint() + 1)
				}
			}
		}
		for k := range e.Proof {
			out[fmt.Sprintf("entry J%d proof %d", e.Seq, k)] = func(r *Record) {
				b := []byte(r.Entries[i].Proof[k])
				b[0] = 'A' + (b[0]+1)%26
				r.Entries[i].Proof[k] = string(b)
			}
		}
		out[fmt.Sprintf("entry J%d dropped", e.Seq)] = func(r *Record) { r.Entries = slices.Delete(r.Entries, i, i+1) }
		out[fmt.Sprintf("entry J%d twice", e.Seq)] = func(r *Record) { r.Entries = slices.Insert(r.Entries, i, r.Entries[i]) }
		if i > 0 {
			out[fmt.Sprintf("entry J%d moved", e.Seq)] = func(r *Record) { r.Entries[i], r.Entries[i-1] = r.Entries[i-1], r.Entries[i] }
		}
		if i > 1 && e.Type == decidedType {
			out[fmt.Sprintf("entry J%d dropped with its fact", e.Seq)] = func(r *Record) { r.Entries = slices.Delete(r.Entries, i-1, i+1) }
		}
	}
	return out
}

// What was dropped with its decision is named: the release lists it.
func TestDroppedPairIsNamed(t *testing.T) {
	rec, keys := record(t)
	var gone uint64
	for i := range rec.Entries {
		if rec.Entries[i].Type == "witnessmark.reading.taken.v2" {
			gone = rec.Entries[i].Seq
			rec.Entries = slices.Delete(rec.Entries, i, i+2)
			break
		}
	}
	r, err := VerifyRecord(rec, keys)
	if err != nil || len(r.Findings) != 1 || r.Findings[0].Seq != gone {
		t.Errorf("J%d and its decision dropped: %+v, %v", gone, r, err)
	}
}

// An entry of another job, truly in the journal, does not pass as one of this.
func TestAddedEntryIsNamed(t *testing.T) {
	s := newShop(t)
	s.work()
	x := s.sealer()
	rec, err := x.Record(t.Context(), "j-1", 1)
	if err != nil {
		t.Fatal(err)
	}
	other, err := x.Record(t.Context(), "j-2", 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range other.Entries {
		if !slices.ContainsFunc(rec.Entries, func(p Proven) bool { return p.Seq == e.Seq }) {
			rec.Entries = append(rec.Entries, e)
		}
	}
	slices.SortFunc(rec.Entries, func(a, b Proven) int { return int(a.Seq) - int(b.Seq) })
	r, err := VerifyRecord(rec, []string{x.Public()})
	if err != nil || len(r.Findings) < 7 {
		t.Errorf("entries of another job were put in: %+v, %v", r, err)
	}
}

func TestAnotherKeyIsRefused(t *testing.T) {
	rec, _ := record(t)
	other, err := OpenKey(t.TempDir(), "fenholt")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := VerifyRecord(rec, []string{other.Public}); !errors.Is(err, ErrSeal) {
		t.Errorf("record held against another key: %v, want ErrSeal", err)
	}
	if _, err := VerifyRecord(rec, []string{"nonsense"}); !errors.Is(err, ErrSeal) {
		t.Errorf("nonsense as key: %v, want ErrSeal", err)
	}
}

// tampered is a journal that gives other entries than it was told.
type tampered struct {
	*journal.Memory
	change func([]events.Written) []events.Written
	last   uint64
}

func (j tampered) ReadWritten(ctx context.Context, from, to uint64, fn func([]events.Written) error) error {
	return j.Memory.ReadWritten(ctx, from, to, func(ws []events.Written) error { return fn(j.change(slices.Clone(ws))) })
}

func (j tampered) Last() uint64 {
	if j.last != 0 {
		return j.last
	}
	return j.Memory.Last()
}

// TestEveryChangeOfTheJournalIsNamed flips a letter of, or removes, every
// entry in turn, and the verification names that entry.
func TestEveryChangeOfTheJournalIsNamed(t *testing.T) {
	s := newShop(t)
	s.work()
	x := s.sealer()
	if _, err := x.Seal(t.Context(), WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	if r, err := VerifyJournal(t.Context(), s.j, x.cfg.Dir, "fenholt", nil, nil); err != nil || !r.OK() || r.Seals != 1 {
		t.Fatalf("a whole journal: %+v, %v", r, err)
	}
	rnd := rand.New(rand.NewPCG(7, 7))
	for seq := uint64(1); seq <= x.Last().Size; seq++ {
		flip := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
			for i := range ws {
				if ws[i].Seq == seq {
					b := []byte(ws[i].Data)
					b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(7)
					ws[i].Data = string(b)
				}
			}
			return ws
		}}
		drop := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
			return slices.DeleteFunc(ws, func(w events.Written) bool { return w.Seq == seq })
		}}
		for name, j := range map[string]Reader{"flipped": flip, "dropped": drop} {
			r, err := VerifyJournal(t.Context(), j, x.cfg.Dir, "fenholt", []string{x.Public()}, nil)
			if err != nil || len(r.Findings) != 1 || r.Findings[0].Seq != seq {
				t.Errorf("J%d %s: %+v, %v", seq, name, r, err)
			}
		}
	}
}

// Whoever alters the journal and makes the log anew still cannot make the
// seal: the span between two seals is named.
func TestAlteredLogDoesNotHelp(t *testing.T) {
	s := newShop(t)
	s.work()
	x := s.sealer()
	if _, err := x.Seal(t.Context(), WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(x.cfg.Dir, hashesFile)); err != nil {
		t.Fatal(err)
	}
	j := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
		ws[4].Data = strings.Replace(ws[4].Data, "j-2", "j-3", 1)
		return ws
	}}
	r, err := VerifyJournal(t.Context(), j, x.cfg.Dir, "fenholt", nil, nil)
	if err != nil || len(r.Findings) != 1 {
		t.Errorf("altered journal, log made anew: %+v, %v", r, err)
	}
}

// A journal that ends before the newest seal is not written on.
func TestLostTailIsRefused(t *testing.T) {
	s := newShop(t)
	s.work()
	x := s.sealer()
	if _, err := x.Seal(t.Context(), WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	j := tampered{Memory: s.j, last: x.Last().Size - 2, change: func(ws []events.Written) []events.Written { return ws }}
	if _, err := New(t.Context(), Config{Journal: j, Dir: x.cfg.Dir, Shop: "fenholt"}); !errors.Is(err, ErrTail) {
		t.Errorf("opened with a lost end: %v, want ErrTail", err)
	}
	r, err := VerifyJournal(t.Context(), j, x.cfg.Dir, "fenholt", nil, nil)
	if err != nil || r.OK() {
		t.Errorf("verified with a lost end: %+v, %v", r, err)
	}
	altered := tampered{Memory: s.j, change: func(ws []events.Written) []events.Written {
		for i := range ws {
			if ws[i].Seq == 3 {
				ws[i].Data += " "
			}
		}
		return ws
	}}
	if err := os.Remove(filepath.Join(x.cfg.Dir, hashesFile)); err != nil {
		t.Fatal(err)
	}
	y, err := New(t.Context(), Config{Journal: altered, Dir: x.cfg.Dir, Shop: "fenholt"})
	if err != nil {
		t.Fatal(err)
	}
	defer y.Close()
	if err := y.Hold(t.Context()); err != nil || y.Trouble() == "" {
		t.Fatalf("held an altered entry against its seal: %v, want trouble", err)
	}
	if _, err := y.Seal(t.Context(), WhyAsked, ""); !errors.Is(err, ErrAltered) {
		t.Errorf("sealed an altered journal: %v, want ErrAltered", err)
	}
	z, err := New(t.Context(), Config{Journal: j, Dir: x.cfg.Dir, Shop: "fenholt", AcceptLoss: true})
	if err != nil || z.Last().Size != 0 {
		t.Fatalf("a lost end, accepted: %v, last seal %+v", err, z.Last())
	}
	defer z.Close()
	if r, err := VerifyJournal(t.Context(), j, x.cfg.Dir, "fenholt", nil, nil); err != nil || !strings.Contains(r.Text(), "the loss accepted") {
		t.Errorf("verified after a loss was accepted: %+v, %v", r, err)
	}
}

// A seal is made at each release; old ones hold after the key was changed.
func TestRunSealsAtRelease(t *testing.T) {
	s := newShop(t)
	x := s.sealer()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- x.Run(ctx) }()
	s.work()
	got := make(chan events.SealMade, 1)
	go func() {
		_ = s.j.Follow(ctx, 1, func(es []events.Entry) error {
			for _, e := range es {
				if m, ok := e.Data.(events.SealMade); ok {
					got <- m
				}
			}
			return nil
		})
	}()
	select {
	case m := <-got:
		if m.Why != WhyRelease || m.Job != "j-1" || m.Key != x.key.Name() {
			t.Errorf("sealed %+v", m)
		}
	case <-time.After(5 * time.Minute):
		t.Error("no seal at a release")
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if _, err := Rotate(x.cfg.Dir, "fenholt"); err != nil {
		t.Fatal(err)
	}
	s.pull("j-2", 40, "9")
	y, err := New(t.Context(), Config{Journal: s.j, Dir: x.cfg.Dir, Shop: "fenholt"})
	if err != nil {
		t.Fatal(err)
	}
	defer y.Close()
	if _, err := y.Seal(t.Context(), WhyTime, ""); err != nil {
		t.Fatal(err)
	}
	if r, err := VerifyJournal(t.Context(), s.j, x.cfg.Dir, "fenholt", nil, nil); err != nil || !r.OK() || r.Seals != 2 {
		t.Errorf("after a change of key: %+v, %v", r, err)
	}
}

func clone(t *testing.T, from, to *Record) {
	t.Helper()
	b, err := json.Marshal(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, to); err != nil {
		t.Fatal(err)
	}
}

// A seal that a power cut left half written is passed over, and the next one
// does not run into it. A whole one that is damaged is not passed over.
func TestHalfWrittenSeal(t *testing.T) {
	for name, tail := range map[string]string{
		"cut": `{"size":9,"ro`, "zeros": `{"size":9,"ro` + "\x00\x00\x00" + "}\n", "all but its end": "",
	} {
		t.Run(name, func(t *testing.T) {
			s := newShop(t)
			s.pull("j-1", 25, "f1")
			x := s.sealer()
			dir := x.cfg.Dir
			if _, err := x.Seal(t.Context(), WhyAsked, ""); err != nil {
				t.Fatal(err)
			}
			if err := x.Close(); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, checkpointsFile)
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if tail == "" {
				b = b[:len(b)-1]
			}
			if err := os.WriteFile(path, append(b, tail...), 0o600); err != nil {
				t.Fatal(err)
			}
			y, err := New(t.Context(), Config{Journal: s.j, Dir: dir, Shop: "fenholt"})
			if err != nil {
				t.Fatal(err)
			}
			defer y.Close()
			s.pull("j-1", 26, "f2")
			if _, err := y.Seal(t.Context(), WhyAsked, ""); err != nil {
				t.Fatal(err)
			}
			seals, err := Checkpoints(dir)
			if err != nil || len(seals) != 2 {
				t.Errorf("%d seals, %v; want 2", len(seals), err)
			}
		})
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, checkpointsFile), []byte("{\"size\":9]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Checkpoints(dir); err == nil {
		t.Error("a damaged line was passed over")
	}
}
