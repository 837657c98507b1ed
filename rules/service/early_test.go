package service

import (
	"context"
	"testing"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// heldBack is a journal that keeps decisions back until it is let go, as a
// slow sync would.
type heldBack struct {
	*journal.Memory
	free chan struct{}
}

func (j heldBack) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	if evs[0].Source == events.SourceRules {
		select {
		case <-j.free:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
	return j.Memory.Append(ctx, evs...)
}

// TestEarlyIsToldBeforeItShows: who subscribed early hears of a reading while
// its decision is not yet on disk and View does not show it; the decision
// that follows is the same.
func TestEarlyIsToldBeforeItShows(t *testing.T) {
	j := heldBack{journal.NewMemory("fenholt"), make(chan struct{})}
	defer j.Close()
	r := run(t, Config{Journal: j})
	defer r.mustStop(t)
	wait(t, r.Ready())
	early, cancelEarly := r.SubscribeEarly(4)
	defer cancelEarly()
	late, cancelLate := r.Subscribe(4)
	defer cancelLate()

	seq := append1(t, j, fact("device/k2", 1))[0]
	first, _ := wait(t, early)
	if first.Fact.Seq != seq || first.Seq != 0 || first.Decided.Cause != seq {
		t.Errorf("told early: %+v, want the reading %d without a place of its decision", first, seq)
	}
	r.View(func(s *rules.State) {
		if s.Cause >= seq {
			t.Errorf("the state shows reading %d before its decision is on disk", seq)
		}
	})
	select {
	case u := <-late:
		t.Errorf("Subscribe told %+v before the decision was on disk", u)
	default:
	}
	close(j.free)
	then, _ := wait(t, late)
	if then.Fact.Seq != seq || then.Seq <= seq || then.Decided.Outcomes[0] != first.Decided.Outcomes[0] {
		t.Errorf("told when on disk: %+v, early: %+v", then, first)
	}
}

// TestEarlyIsSilentOnBacklogAndRequests: what was undecided at the start is
// old news, and what a person asks for is no figure.
func TestEarlyIsSilentOnBacklogAndRequests(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	append1(t, j, fact("device/k2", 1), fact("device/k2", 2))
	s, err := New(Config{Journal: j, engine: chain("1")})
	if err != nil {
		t.Fatal(err)
	}
	early, cancelEarly := s.SubscribeEarly(8)
	defer cancelEarly()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	wait(t, s.Ready())
	if _, _, err := s.Submit(ctx, events.StepConfirmAsked{Answer: "yes"}); err != nil {
		t.Fatal(err)
	}
	live := append1(t, j, fact("device/k2", 3))[0]
	if u, _ := wait(t, early); u.Fact.Seq != live {
		t.Errorf("told first: reading %d, want only the live one, %d", u.Fact.Seq, live)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error("run:", err)
	}
	if u, open := wait(t, early); open {
		t.Errorf("told %+v too, want the channel closed with the service", u)
	}
}
