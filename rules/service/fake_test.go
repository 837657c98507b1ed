package service

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The rules of these tests: every reading and request is answered with a hash
// over the whole history, kept in Shop.Name. So an answer that was lost,
// repeated, out of order or given on another state shows in all that follow.
// A StepConfirmAsked whose answer is a number sets the deadline, kept in
// Shop.Torque, to that instant; a TimeReached at or after it clears it.
func chain(version string) engine {
	return engine{
		version: version,
		new:     func() *rules.State { return &rules.State{} },
		decide: func(s *rules.State, e events.Entry) []events.Outcome {
			switch d := e.Data.(type) {
			case events.LinkChanged:
				return nil
			case events.TimeReached:
				if int64(d.AtUs) < waitsFor(s) || waitsFor(s) == 0 {
					return nil
				}
				return []events.Outcome{answerTo(e, "reached")}
			case events.StepConfirmAsked:
				return []events.Outcome{answerTo(e, d.Answer)}
			}
			return []events.Outcome{answerTo(e, s.Shop.Name)}
		},
		evolve: func(s *rules.State, d events.Decided) {
			b, err := json.Marshal(d)
			if err != nil {
				panic(err)
			}
			sum := sha256.Sum256([]byte(s.Shop.Name + string(b)))
			s.Cause, s.Shop.Name = d.Cause, hex.EncodeToString(sum[:8])
			switch r := d.Outcomes[0].Data.(events.ReadingDismissed).Reason; {
			case r == "reached":
				s.Shop.Torque = ""
			case strings.HasPrefix(r, "at "):
				s.Shop.Torque = r[3:]
			}
		},
		deadline: func(s *rules.State) events.Instant { return events.Instant(waitsFor(s)) },
		snapshot: func(s *rules.State) ([]byte, error) {
			return json.Marshal([]string{fmt.Sprint(s.Cause), s.Shop.Name, s.Shop.Torque})
		},
		restore: func(b []byte) (*rules.State, error) {
			var v [3]string
			if err := json.Unmarshal(b, &v); err != nil {
				return nil, err
			}
			s := &rules.State{}
			s.Cause, _ = strconv.ParseUint(v[0], 10, 64)
			s.Shop.Name, s.Shop.Torque = v[1], v[2]
			return s, nil
		},
	}
}

func answerTo(e events.Entry, reason string) events.Outcome {
	return events.Outcome{Data: events.ReadingDismissed{Reading: e.Seq, Reason: reason}}
}

func waitsFor(s *rules.State) int64 {
	n, _ := strconv.ParseInt(s.Shop.Torque, 10, 64)
	return n
}

func fact(source string, n int) events.Event {
	return events.Event{Source: source, Time: events.Instant(n), Data: events.ReadingTaken{Tool: "tw-60", Text: fmt.Sprint(n)}}
}

func link(source string) events.Event {
	return events.Event{Source: source, Data: events.LinkChanged{State: events.LinkUp}}
}

// running is a service that runs.
type running struct {
	*Service
	stop func() error // ends it and returns what Run returned
}

func run(t testing.TB, cfg Config) *running {
	t.Helper()
	if cfg.engine.decide == nil {
		cfg.engine = chain("1")
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	return &running{s, func() error { cancel(); return <-ended }}
}

func (r *running) mustStop(t testing.TB) {
	t.Helper()
	if err := r.stop(); err != nil {
		t.Fatal("run:", err)
	}
}

// until waits for ok of the visible state.
func (r *running) until(t testing.TB, ok func(*rules.State) bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for good := false; ; {
		if r.View(func(s *rules.State) { good = ok(s) }); good {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal("the state never comes to that")
		}
	}
}

func append1(t testing.TB, j Journal, evs ...events.Event) []uint64 {
	t.Helper()
	seqs, err := j.Append(context.Background(), evs...)
	if err != nil {
		t.Fatal(err)
	}
	return seqs
}

// wait waits for ch; its limit only ends a hang.
func wait[T any](t testing.TB, ch <-chan T) (v T, ok bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	select {
	case v, ok = <-ch:
	case <-ctx.Done():
		t.Fatal("nothing came")
	}
	return v, ok
}

// verify reads the journal with no service: every reading and request has
// exactly one decision, in order of the facts, and each is the one that the
// rules make of all before it. It returns the state that they make.
func verify(t testing.TB, j Journal, eng engine) *rules.State {
	t.Helper()
	var facts []events.Entry
	var decisions []events.Decided
	err := j.Read(context.Background(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if d, ok := e.Data.(events.Decided); ok {
				decisions = append(decisions, d)
			} else {
				facts = append(facts, e)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	st := eng.new()
	for _, f := range facts {
		out := eng.decide(st, f)
		if len(out) == 0 && !needsAnswer(f.Data) {
			continue
		}
		want := events.Decided{Cause: f.Seq, CauseUs: f.Time, Rules: eng.version, Outcomes: out}
		if len(decisions) == 0 {
			t.Fatalf("fact %d has no decision", f.Seq)
		}
		if got, want := mustJSON(t, decisions[0]), mustJSON(t, want); got != want {
			t.Fatalf("fact %d is decided as %s, want %s", f.Seq, got, want)
		}
		eng.evolve(st, decisions[0])
		decisions = decisions[1:]
	}
	if len(decisions) != 0 {
		t.Fatalf("%d decisions too many, the first on %d", len(decisions), decisions[0].Cause)
	}
	return st
}

func mustJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func (e engine) text(t testing.TB, s *rules.State) string {
	t.Helper()
	b, err := e.snapshot(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// faulty fails Appends of decisions: before, so that they are not stored, or
// after, so that they are and nobody knows.
type faulty struct {
	*journal.Memory
	before, after func() error
}

func (f *faulty) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	if evs[0].Source != events.SourceRules {
		return f.Memory.Append(ctx, evs...)
	}
	if f.before != nil {
		if err := f.before(); err != nil {
			return nil, err
		}
	}
	seqs, err := f.Memory.Append(ctx, evs...)
	if f.after != nil && err == nil {
		err = f.after()
	}
	return seqs, err
}

var errDisk = errors.New("no disk today")
