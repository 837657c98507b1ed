package service

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// TestLiveIsReplay: whatever comes, wherever the service is stopped, with or
// without a snapshot: the decisions are those of one pass over the facts, each
// once, and the state shown is the one that a replay makes.
func TestLiveIsReplay(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		j := journal.NewMemory("fenholt")
		defer j.Close()
		cfg := Config{Journal: j, SnapshotEvery: rapid.IntRange(1, 20).Draw(rt, "every")}
		if rapid.Bool().Draw(rt, "snapshot") {
			cfg.Snapshot = filepath.Join(t.TempDir(), "state")
		}
		var r *running
		n := 0
		for _, op := range rapid.SliceOfN(rapid.SampledFrom([]string{"facts", "facts", "links", "stop", "start", "repeat", "wait"}), 1, 25).Draw(rt, "ops") {
			switch op {
			case "facts":
				for range rapid.IntRange(1, 30).Draw(rt, "n") {
					n++
					append1(t, j, fact(fmt.Sprint("device/", n%3), n))
				}
			case "links":
				append1(t, j, link("device/0"), link("device/9"))
			case "repeat":
				if last := j.LastNumber("device/1"); last > 0 {
					e := fact("device/1", 0)
					e.Number = last
					append1(t, j, e)
				}
			case "stop":
				if r != nil {
					r.mustStop(t)
					r = nil
				}
			case "start":
				if r == nil {
					r = run(t, cfg)
				}
			case "wait":
				if r != nil {
					wait(t, r.Ready())
				}
			}
		}
		if r == nil {
			r = run(t, cfg)
		}
		last := lastAsking(t, j)
		r.until(t, func(s *rules.State) bool { return s.Cause == last })
		r.mustStop(t)
		eng := chain("1")
		want := eng.text(t, verify(t, j, eng))
		if got := eng.text(t, r.state); got != want {
			t.Fatalf("live state %s, replay makes %s", got, want)
		}
	})
}

// lastAsking returns the sequence of the last fact that gets a decision.
func lastAsking(t testing.TB, j Journal) (seq uint64) {
	t.Helper()
	if err := j.Read(context.Background(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if needsAnswer(e.Data) {
				seq = e.Seq
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return seq
}

// TestCrashBeforeDecision: facts whose decisions are missing are decided once
// at the next start, before Ready; and not again.
func TestCrashBeforeDecision(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	for n := range 2500 {
		append1(t, j, fact("device/a", n))
	}
	for range 3 {
		r := run(t, Config{Journal: j})
		wait(t, r.Ready())
		r.View(func(s *rules.State) {
			if s.Cause != 2500 {
				t.Errorf("ready at cause %d, want 2500", s.Cause)
			}
		})
		r.mustStop(t)
		if j.Last() != 5000 {
			t.Fatalf("last %d, want 2500 facts and as many decisions", j.Last())
		}
	}
	verify(t, j, chain("1"))
}

// TestAppendFails: decisions that could not be stored, or of which that is not
// known, are not shown before they are, and end up in the journal once.
func TestAppendFails(t *testing.T) {
	for _, kind := range []string{"not stored", "unknown"} {
		t.Run(kind, func(t *testing.T) {
			var bad atomic.Bool
			f := &faulty{Memory: journal.NewMemory("fenholt")}
			defer f.Close()
			tried := make(chan bool, 1000)
			fail := func() error {
				if !bad.Load() {
					return nil
				}
				tried <- true
				return fmt.Errorf("%w: %w", journal.ErrUnknown, errDisk)
			}
			if kind == "unknown" {
				f.after = fail
			} else {
				f.before = fail
			}
			r := run(t, Config{Journal: f})
			append1(t, f, fact("device/a", 1))
			r.until(t, func(s *rules.State) bool { return s.Cause == 1 })
			bad.Store(true)
			append1(t, f, fact("device/a", 2), fact("device/a", 3))
			wait(t, tried)
			r.View(func(s *rules.State) {
				if kind == "not stored" && s.Cause != 1 {
					t.Errorf("cause %d is shown, but only 1 is on disk", s.Cause)
				}
			})
			append1(t, f, fact("device/a", 4))
			bad.Store(false)
			last := lastAsking(t, f)
			r.until(t, func(s *rules.State) bool { return s.Cause == last })
			r.mustStop(t)
			verify(t, f, chain("1"))
		})
	}
	t.Run("second writer", func(t *testing.T) {
		f := &faulty{Memory: journal.NewMemory("fenholt"), before: func() error { return journal.ErrSecondWriter }}
		defer f.Close()
		append1(t, f, fact("device/a", 1))
		s, err := New(Config{Journal: f, engine: chain("1")})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Run(context.Background()); !errors.Is(err, journal.ErrSecondWriter) {
			t.Errorf("run: %v, want ErrSecondWriter", err)
		}
	})
}

// TestSubmit: each caller gets the decision on its own fact, when it shows.
func TestSubmit(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	r := run(t, Config{Journal: j, Now: func() time.Time { return time.UnixMicro(77) }})
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			job := fmt.Sprint("RA-", i)
			e, d, err := r.Submit(context.Background(), events.ReleaseAsked{Job: job})
			if err != nil || d.Cause != e.Seq || e.Data != (events.ReleaseAsked{Job: job}) || e.Source != events.SourceDesk || e.Number == 0 || e.Time != 77 || e.Subject != job {
				t.Errorf("submit: %+v %+v %v", e, d, err)
			}
			r.View(func(s *rules.State) {
				if s.Cause < e.Seq {
					t.Errorf("fact %d is answered, but not yet shown", e.Seq)
				}
			})
		})
	}
	all.Wait()
	if len(r.desk.answers) != 0 {
		t.Errorf("%d answers are kept although nobody waits", len(r.desk.answers))
	}
	r.mustStop(t)
	e, _, err := r.Submit(context.Background(), events.ReleaseAsked{Job: "RA-99"})
	if !errors.Is(err, ErrStopped) || e.Seq == 0 {
		t.Errorf("submit to a stopped service: %+v %v, want ErrStopped and the fact", e, err)
	}
	j.Fail(errDisk)
	if _, _, err := r.Submit(context.Background(), events.ReleaseAsked{}); !errors.Is(err, journal.ErrNotStored) || !errors.Is(err, errDisk) {
		t.Errorf("submit without a disk: %v, want the journal's error", err)
	}
}

// TestSubmitEnds: Submit does not wait longer than its context.
func TestSubmitEnds(t *testing.T) {
	f := &faulty{Memory: journal.NewMemory("fenholt")}
	defer f.Close()
	ctx, cancel := context.WithCancel(context.Background())
	f.before = func() error { cancel(); return errDisk }
	r := run(t, Config{Journal: f})
	e, _, err := r.Submit(ctx, events.ReleaseAsked{Job: "RA-1"})
	if !errors.Is(err, context.Canceled) || e.Seq != 1 {
		t.Errorf("submit: %+v %v, want context.Canceled and the fact", e, err)
	}
	r.mustStop(t)
}

// TestSubscribe: updates come in order, each shown before it is sent; who is
// too slow is dropped and the others do not notice.
func TestSubscribe(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	r := run(t, Config{Journal: j})
	wait(t, r.Ready())
	quick, _ := r.Subscribe(1000)
	slow, cancelSlow := r.Subscribe(2)
	left, cancelLeft := r.Subscribe(1000)
	cancelLeft()
	cancelLeft()
	if _, open := wait(t, left); open {
		t.Error("a canceled subscription is still open")
	}
	for n := range 100 {
		append1(t, j, fact("device/a", n), link("device/a"))
	}
	before := uint64(0)
	for range 100 {
		u, _ := wait(t, quick)
		if u.Decided.Cause != u.Fact.Seq || u.Seq <= before || u.Fact.Data.(events.ReadingTaken).Tool != "tw-60" {
			t.Fatalf("update %+v after %d", u, before)
		}
		before = u.Seq
		r.View(func(s *rules.State) {
			if s.Cause < u.Decided.Cause {
				t.Errorf("decision on %d is sent, but not shown", u.Decided.Cause)
			}
		})
	}
	got := 0
	for range slow {
		got++
	}
	if got != 2 || r.Dropped() != 1 {
		t.Errorf("the slow one got %d, dropped %d; want 2 and 1", got, r.Dropped())
	}
	cancelSlow()
	r.mustStop(t)
	if _, open := wait(t, quick); open {
		t.Error("the channel is open after the service stopped")
	}
	if late, _ := r.Subscribe(1); late != nil {
		if _, open := wait(t, late); open {
			t.Error("a stopped service gave an open channel")
		}
	}
}

// TestNewer: decisions of newer rules and events of newer versions are
// refused, and the message says what to do.
func TestNewer(t *testing.T) {
	for name, put := range map[string]func(j *journal.Memory){
		"rules": func(j *journal.Memory) {
			append1(t, j, events.Event{Source: events.SourceRules, Data: events.Decided{Cause: 1, Rules: "2",
				Outcomes: []events.Outcome{answerTo(events.Entry{Seq: 1}, "")}}})
		},
		"event": func(j *journal.Memory) {
			j.PutWritten(events.Event{Source: "desk", Number: 1}, "witnessmark.job.split.v1", []byte(`{}`))
		},
		"outcome": func(j *journal.Memory) {
			j.PutWritten(events.Event{Source: "rules", Number: 1}, "witnessmark.rules.decided.v1",
				[]byte(`{"cause":1,"rules":"1","outcomes":[{"job.split.v1":{}}]}`))
		},
	} {
		for _, live := range []bool{false, true} {
			t.Run(fmt.Sprint(name, live), func(t *testing.T) {
				j := journal.NewMemory("fenholt")
				defer j.Close()
				append1(t, j, fact("device/a", 1))
				if !live {
					put(j)
				}
				r := run(t, Config{Journal: j})
				ended := make(chan error, 1)
				if live {
					wait(t, r.Ready())
					put(j)
				}
				go func() { <-r.stopped; ended <- r.stop() }()
				err, _ := wait(t, ended)
				if !errors.Is(err, events.ErrNewer) || !strings.Contains(err.Error(), "install that version") {
					t.Errorf("run: %v, want ErrNewer and what to do", err)
				}
			})
		}
	}
}

// TestSnapshot: a good snapshot saves folding; any other is passed over.
func TestSnapshot(t *testing.T) {
	file := filepath.Join(t.TempDir(), "state")
	j := journal.NewMemory("fenholt")
	defer j.Close()
	folds := 0
	counting := chain("1")
	evolve := counting.evolve
	counting.evolve = func(s *rules.State, d events.Decided) { folds++; evolve(s, d) }

	r := run(t, Config{Journal: j, Snapshot: file, SnapshotEvery: 10})
	for n := range 50 {
		append1(t, j, fact("device/a", n))
	}
	r.until(t, func(s *rules.State) bool { return s.Cause > 0 && s.Cause == lastAsking(t, j) })
	r.mustStop(t)
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	start := func(cfg Config) int {
		t.Helper()
		folds = 0
		cfg.Journal, cfg.Snapshot = j, file
		if cfg.engine.decide == nil {
			cfg.engine = counting
		}
		r := run(t, cfg)
		wait(t, r.Ready())
		r.mustStop(t)
		want := counting.text(t, verify(t, j, chain("1")))
		if got := counting.text(t, r.state); got != want {
			t.Errorf("state %s, replay makes %s", got, want)
		}
		return folds
	}
	if n := start(Config{}); n != 0 {
		t.Errorf("with a good snapshot %d decisions were folded, want 0", n)
	}
	newer := counting
	newer.version = "2"
	for name, change := range map[string]func(b []byte) []byte{
		"body flipped":    func(b []byte) []byte { b[len(b)-3] ^= 1; return b },
		"cut":             func(b []byte) []byte { return b[:len(b)/2] },
		"empty":           func([]byte) []byte { return nil },
		"beyond the end":  func(b []byte) []byte { return []byte(strings.Replace(string(b), `"seq":1`, `"seq":9991`, 1)) },
		"another journal": func(b []byte) []byte { return []byte(strings.Replace(string(b), j.Identity(), "0123", 1)) },
		"other rules":     func(b []byte) []byte { return []byte(strings.Replace(string(b), `"rules":"1"`, `"rules":"0"`, 1)) },
	} {
		if err := os.WriteFile(file, change([]byte(string(good))), 0o600); err != nil {
			t.Fatal(err)
		}
		if n := start(Config{}); n != 50 {
			t.Errorf("%s: %d decisions were folded, want all 50", name, n)
		}
	}
	os.Remove(file)
	if n := start(Config{}); n != 50 {
		t.Errorf("without a snapshot %d decisions were folded, want 50", n)
	}
	if _, err := os.Stat(file + ".new"); err == nil {
		t.Error("a half-written file is left")
	}
	if again, err := os.ReadFile(file); err != nil || string(again) != string(good) {
		t.Errorf("the snapshot written again differs: %v", err)
	}
}

// TestClock: the deadline that the state waits for is written once, when it
// is due, also if the wall clock is set back meanwhile, or forward.
func TestClock(t *testing.T) {
	for _, c := range []struct {
		name string
		jump time.Duration // of the wall clock, after 10 s of 60
		due  time.Duration // by a steady clock, at most
	}{
		{"steady", 0, 60 * time.Second},
		{"set back a day", -24 * time.Hour, 60 * time.Second},
		{"set forward an hour", time.Hour, 60 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				j := journal.NewMemory("fenholt")
				var jump atomic.Int64
				now := func() time.Time { return time.Now().Add(time.Duration(jump.Load())) }
				r := run(t, Config{Journal: j, Now: now})
				deadline := events.InstantOf(now().Add(60 * time.Second))
				if _, _, err := r.Submit(t.Context(), events.StepConfirmAsked{Answer: fmt.Sprint("at ", int64(deadline))}); err != nil {
					t.Fatal(err)
				}
				sleep(10 * time.Second)
				jump.Store(int64(c.jump))
				if n := j.LastNumber(events.SourceClock); n != 0 {
					t.Errorf("written %d times before it was due", n)
				}
				sleep(c.due - 10*time.Second + time.Second)
				e, ok, err := j.LastOf(t.Context(), events.SourceClock)
				if !ok || err != nil || e.Data.(events.TimeReached).AtUs < deadline || e.Time < deadline {
					t.Fatalf("time reached: %+v %v %v, want it at %d or after", e, ok, err, deadline)
				}
				sleep(5 * time.Hour)
				if n := j.LastNumber(events.SourceClock); n != 1 {
					t.Errorf("written %d times, want once", n)
				}
				r.View(func(s *rules.State) {
					if waitsFor(s) != 0 {
						t.Error("the deadline still stands")
					}
				})
				r.mustStop(t)
				j.Close()
			})
		})
	}
}

// sleep lets the clock of a synctest bubble run.
func sleep(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// TestClockIgnored: rules that do not take up the deadline's passing do not
// make the journal fill up with it; a deadline at the end of time is not near.
func TestClockIgnored(t *testing.T) {
	for at, most := range map[int64]uint64{5: 1, math.MaxInt64: 0} {
		t.Run(fmt.Sprint(at), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				j := journal.NewMemory("fenholt")
				eng := chain("1")
				eng.decide = func(s *rules.State, e events.Entry) []events.Outcome {
					if a, ok := e.Data.(events.StepConfirmAsked); ok {
						return []events.Outcome{answerTo(e, a.Answer)}
					}
					return nil
				}
				r := run(t, Config{Journal: j, engine: eng})
				if _, _, err := r.Submit(t.Context(), events.StepConfirmAsked{Answer: fmt.Sprint("at ", at)}); err != nil {
					t.Fatal(err)
				}
				sleep(100 * time.Hour)
				if n := j.LastNumber(events.SourceClock); n != most {
					t.Errorf("written %d times, want %d", n, most)
				}
				r.mustStop(t)
				j.Close()
			})
		})
	}
}

// TestConfig: a service needs a journal.
func TestConfig(t *testing.T) {
	if _, err := New(Config{}); err == nil {
		t.Error("no error without a journal")
	}
}
