package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
)

// clockAnswer is what a bench box answers when it is asked for its time: when
// the question came and when the answer left, by its wall clock.
type clockAnswer struct {
	ReceivedUs int64 `json:"received_us"`
	SentUs     int64 `json:"sent_us"`
}

// tellTime lets a bench box answer the shop's question for its time.
func (s *session) tellTime(box string, now func() time.Time) error {
	_, err := s.nc.Subscribe(boxClock(box), func(m *nats.Msg) {
		a := clockAnswer{ReceivedUs: now().UnixMicro()}
		a.SentUs = now().UnixMicro()
		b, err := json.Marshal(a)
		if err == nil {
			_ = m.Respond(b) // an answer that is lost is asked for again
		}
	})
	return err
}

// ClockOffset is how a bench box's clock stands to this machine's.
type ClockOffset struct {
	Ahead time.Duration // of the box's wall clock before ours; below zero: behind
	// RoundTrip is the time that question and answer took on the way; Ahead is
	// wrong by half of it at most.
	RoundTrip time.Duration
}

// clockTries is how often the box is asked; the quickest answer counts.
const clockTries = 4

// CompareClocks asks a bench box for its time. The offset is
// ((T2 − T1) + (T3 − T4)) / 2 and the round trip (T4 − T1) − (T3 − T2), where T1
// and T4 are ours when the question left and the answer came, T2 and T3 the
// box's when it came and left: RFC 5905, section 8 (cited from memory). Of a
// few the one with the shortest round trip is taken, as its clock filter does
// (section 10). T4 is T1 and what has passed by the monotonic clock, so a clock
// that is set just then does no harm.
func (j *Journal) CompareClocks(ctx context.Context, box string) (ClockOffset, error) {
	s, err := j.waitSession(ctx)
	if err != nil {
		return ClockOffset{}, err
	}
	var best ClockOffset
	for try := range clockTries {
		o, err := s.compareClocks(ctx, box, j.cfg.Now)
		if err != nil {
			return best, fmt.Errorf("ask bench box %q for its time: %w", box, err)
		}
		if try == 0 || o.RoundTrip < best.RoundTrip {
			best = o
		}
	}
	return best, nil
}

func (s *session) compareClocks(ctx context.Context, box string, now func() time.Time) (ClockOffset, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	t1, start := now(), time.Now()
	m, err := s.nc.RequestWithContext(ctx, boxClock(box), nil)
	passed := time.Since(start)
	if err != nil {
		return ClockOffset{}, err
	}
	var a clockAnswer
	if err := json.Unmarshal(m.Data, &a); err != nil {
		return ClockOffset{}, fmt.Errorf("its answer cannot be read: %w", err)
	}
	return offset(t1.UnixMicro(), a.ReceivedUs, a.SentUs, t1.UnixMicro()+passed.Microseconds()), nil
}

// offset is the formula of RFC 5905; all in microseconds.
func offset(t1, t2, t3, t4 int64) ClockOffset {
	return ClockOffset{
		Ahead:     time.Duration((t2-t1)+(t3-t4)) * time.Microsecond / 2,
		RoundTrip: time.Duration((t4-t1)-(t3-t2)) * time.Microsecond,
	}
}
