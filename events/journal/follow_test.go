package journal

import (
	"context"
	"errors"
	"testing"

	"witnessmark/events"
)

// TestFollowAtLeisure: who follows without hurry gets the same, all of it, in order.
func TestFollowAtLeisure(t *testing.T) {
	j := openAt(t, t.TempDir())
	defer j.Close()
	const n = 200
	enough := errors.New("enough")
	var got []events.Entry
	ended := make(chan error, 1)
	go func() {
		ended <- AtLeisure{j}.Follow(context.Background(), 1, func(es []events.Entry) error {
			if got = append(got, es...); len(got) >= n {
				return enough
			}
			return nil
		})
	}()
	for i := range n {
		mustAppend(t, j, events.Event{Source: "device/a", Data: events.LinkChanged{Detail: mark(i)}})
	}
	if err := <-ended; !errors.Is(err, enough) {
		t.Fatal(err)
	}
	diff(t, "followed", got, readAll(t, j, 1, n))
}
