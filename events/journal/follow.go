package journal

import (
	"context"
	"time"

	"witnessmark/events"
)

const followBatch = 1024

// Follow gives the entries from sequence from on to fn, in order and in
// batches: first what is on disk, as Read does, then each new entry as soon
// as it is on disk. It returns when ctx ends, with its cause, when fn returns
// an error, with that, and otherwise as Read does; ErrClosed after Close.
func (j *Journal) Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error {
	return j.follow(ctx, from, 0, fn)
}

// AtLeisure is a journal for who follows it without hurry: what comes within a
// moment comes together. It spares those in a hurry to share the processor with
// who only writes things down.
type AtLeisure struct{ *Journal }

// leisure is that moment.
const leisure = 5 * time.Millisecond

// Follow is as Journal has it, a moment later.
func (j AtLeisure) Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error {
	return j.follow(ctx, from, leisure, fn)
}

func (j *Journal) follow(ctx context.Context, from uint64, rest time.Duration, fn func([]events.Entry) error) error {
	c := newCounter(&j.holes, max(from, 1))
	return j.tail.follow(ctx, c, rest, fn, func(to uint64) error {
		return j.readOn(ctx, c, to, &retries{j: j, follows: true}, fn)
	})
}

// follow delivers from memory, and by catchUp what is no longer there. It rests
// whenever it has delivered all.
func (t *tail) follow(ctx context.Context, c *counter, rest time.Duration, fn func([]events.Entry) error, catchUp func(to uint64) error) error {
	f := t.watch()
	defer t.unwatch(f)
	for {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		entries, behind, last := t.take(f, c.next, followBatch)
		switch {
		case behind:
			if err := catchUp(last); err != nil {
				return err
			}
			continue
		case len(entries) > 0:
			for _, e := range entries {
				c.saw(e)
			}
			if err := fn(entries); err != nil {
				return err
			}
			continue
		}
		if rest > 0 {
			select {
			case <-time.After(rest):
			case <-t.done:
				return ErrClosed
			case <-ctx.Done():
				return context.Cause(ctx)
			}
		}
		select {
		case <-f.wake:
		case <-t.done:
			return ErrClosed
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}
