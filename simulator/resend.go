package simulator

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"
)

// resender is what tools have in common that send a reading again until it
// is answered.
type resender struct {
	*body
	answer func([]byte) (number string, ok bool)
	queue  chan resent
	heard  chan string     // numbers that the host has answered
	slow   map[uint64]bool // readings that were sent again because no answer came in time; under body.mu
}

// resent is a reading that waits for its answer.
type resent struct {
	counter uint64
	number  string   // the counter as answers have it
	frames  [][]byte // what is sent first, second, …; the last for ever
	garbled int      // how many of them are damaged
	deaf    int
}

const (
	resendQueue = 64
	tries       = 21 // once and up to 20 times again
)

func newResender(b *body, answer func([]byte) (string, bool)) *resender {
	return &resender{body: b, answer: answer, queue: make(chan resent, resendQueue), heard: make(chan string, resendQueue), slow: map[uint64]bool{}}
}

// sentAgain reports whether a reading was sent again although it was whole and
// no answer was overheard on purpose: the machine was slow to answer it.
func (t *resender) sentAgain(counter uint64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.slow[counter]
}

// put queues a reading.
func (t *resender) put(r resent) error {
	select {
	case t.queue <- r:
		return nil
	default:
		return fmt.Errorf("pull with %s: its memory is full; nobody answers it", t.spec.ID)
	}
}

// Run sends what is queued and listens for answers.
func (t *resender) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	var listenErr error
	wg.Go(func() {
		defer stop()
		listenErr = t.listen(ctx)
	})
	err := t.send(ctx)
	stop()
	closeErr := t.port.Close() // ends the read
	wg.Wait()
	return errors.Join(err, listenErr, closeErr)
}

func (t *resender) send(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case r := <-t.queue:
			if err := t.deliver(ctx, r); err != nil && ctx.Err() == nil {
				return err
			}
		}
	}
}

// deliver sends r until it is answered, or given up.
func (t *resender) deliver(ctx context.Context, r resent) error {
	for try := range cmp.Or(t.spec.Tries, tries) {
		if err := t.write(ctx, r.frames[min(try, len(r.frames)-1)]); err != nil {
			return err
		}
		timer := time.NewTimer(t.spec.Resend)
		deaf := r.deaf
		answered, err := t.await(ctx, timer.C, &r)
		timer.Stop()
		if !answered && r.deaf == deaf && try >= r.garbled {
			t.mu.Lock()
			t.slow[r.counter] = true
			t.mu.Unlock()
		}
		if answered && t.spec.Answered != nil {
			t.spec.Answered(r.counter)
		}
		if answered || err != nil {
			return err
		}
	}
	return nil
}

// await waits for the answer to r until the timer fires.
func (t *resender) await(ctx context.Context, timer <-chan time.Time, r *resent) (bool, error) {
	for {
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-timer:
			return false, nil
		case number := <-t.heard:
			if number != r.number {
				continue // to one that it no longer holds
			}
			if r.deaf > 0 {
				r.deaf--
				continue
			}
			return true, nil
		}
	}
}

// listen reads answers. Anything else is ignored.
func (t *resender) listen(ctx context.Context) error {
	var got []byte
	buf := make([]byte, 64)
	for {
		n, err := t.port.Read(buf)
		if err != nil {
			return endOfLine(t.spec.ID, err)
		}
		for _, c := range buf[:n] {
			if c == 0x06 || c == 'K' {
				got = got[:0]
			}
			got = append(got, c)
			if number, ok := t.answer(got); ok {
				select {
				case t.heard <- number:
				case <-ctx.Done():
					return nil
				}
			}
			if len(got) >= 8 {
				got = got[:0]
			}
		}
	}
}

// endOfLine returns nil if err only says that the port was closed.
func endOfLine(tool string, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) || errors.Is(err, io.ErrClosedPipe) {
		return nil
	}
	return fmt.Errorf("read from the line of %s: %w", tool, err)
}
