package dashboards

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"witnessmark/events"
	"witnessmark/rules"
)

// runEarly shows figures and verdicts as soon as their readings are on disk,
// until ctx ends.
func (h *hub) runEarly(ctx context.Context, watch WatchFunc) {
	for watch != nil && ctx.Err() == nil {
		if err := watch(ctx, watchBuffer, h.takeEarly); !errors.Is(err, ErrBehind) {
			return
		}
		select { // nothing is lost: patches tell the same
		case <-ctx.Done():
		case <-time.After(watchAgain):
		}
	}
}

// takeEarly sends the last figure to the clients of its bench. It has no id:
// whoever misses it gets it with the patch.
func (h *hub) takeEarly(us []Update) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for i := range us {
		r, ok := us[i].Fact.Data.(events.ReadingTaken)
		if !ok {
			continue
		}
		s := h.streams[r.Bench]
		if s == nil || len(s.clients) == 0 {
			continue
		}
		b := h.earlyReading(&us[i])
		if b == nil {
			continue
		}
		for c := range s.clients {
			select {
			case c.ch <- b:
			default: // it has enough to read
			}
		}
	}
}

// earlyReading is the message about a judged reading, nil if there is none.
func (h *hub) earlyReading(u *Update) (text []byte) {
	l := h.earlyView(u)
	if l == nil {
		return nil
	}
	b, err := json.Marshal(l)
	if err != nil {
		return nil // strings and numbers only: cannot happen
	}
	return message("reading", 0, b)
}

func (h *hub) earlyView(u *Update) (l *lastView) {
	for _, o := range u.Decided.Outcomes {
		j, ok := o.Data.(events.ReadingJudged)
		if !ok || j.Reading != u.Fact.Seq {
			continue
		}
		v := viewer{now: h.now()}
		h.state.View(func(st *rules.State) {
			v.st = st
			job := st.Jobs[j.Job]
			if job == nil {
				return
			}
			if _, i := job.Proc.Step(j.Step); i >= 0 {
				l = v.lastJudged(job.Proc, i, j)
			}
		})
	}
	return l
}
