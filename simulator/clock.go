package simulator

import (
	"context"
	"time"
)

// Clock tells the time and lets it pass.
type Clock interface {
	Now() time.Time
	// Sleep returns nil after d, or ctx's error as soon as ctx ends.
	Sleep(ctx context.Context, d time.Duration) error
}

// WallClock returns a clock on which waiting takes 1/speed of the time; 1 is
// life, 60 a minute in a second. A speed of 0 or less does not wait at all.
func WallClock(speed float64) Clock { return wallClock{speed} }

type wallClock struct{ speed float64 }

func (wallClock) Now() time.Time { return time.Now() }

func (c wallClock) Sleep(ctx context.Context, d time.Duration) error {
	if c.speed <= 0 {
		return ctx.Err()
	}
	return sleep(ctx, time.Duration(float64(d)/c.speed))
}

func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
