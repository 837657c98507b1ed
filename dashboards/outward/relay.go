package outward

import (
	"context"
	"errors"
	"fmt"
	"time"

	"witnessmark/ingest/port"
)

// sound switches the relay on, waits, and switches it off again, also when ctx
// ends meanwhile.
func (l *Relay) sound(ctx context.Context) error {
	p, err := port.Open(l.Port, port.Line{Baud: l.Baud})
	if err != nil {
		return fmt.Errorf("open relay: %w", err)
	}
	if _, err := p.Write(l.on); err != nil {
		return errors.Join(fmt.Errorf("switch relay on: %w", err), p.Close())
	}
	wait := time.NewTimer(l.For)
	defer wait.Stop()
	select {
	case <-wait.C:
	case <-ctx.Done():
	}
	if _, err := p.Write(l.off); err != nil {
		return errors.Join(fmt.Errorf("switch relay off: %w", err), p.Close())
	}
	return p.Close()
}
