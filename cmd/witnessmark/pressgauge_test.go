package main

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/simulator"
)

// TestCaptureReadsP8: an emulated Quarle P8 on a pseudo-terminal presses, and
// what is captured is that pressing: its greatest force as sent, and its course
// with the travel of the ram.
func TestCaptureReadsP8(t *testing.T) {
	if testing.Short() {
		t.Skip("a pressing in real time")
	}
	shop := benchShop(1)
	shop.Tools[0].Kind, shop.Tools[0].Least, shop.Tools[0].Most = events.ToolPressGauge, quantity.Newtons(0e3).Value(), quantity.Newtons(40e3).Value()
	rig, err := simulator.OpenRig(simulator.RigConfig{Dir: t.TempDir(), Tools: []simulator.ToolSpec{{ID: shop.Tools[0].ID, Model: simulator.QuarleP8}}, Seed: 7, Clock: simulator.WallClock(2)})
	if err != nil {
		t.Fatal(err)
	}
	defer rig.Close()
	shop.Devices[0].Profile, shop.Devices[0].Port = "quarle-p8", rig.Path(shop.Tools[0].ID)
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax = t.TempDir(), "127.0.0.1:0", "error", "1 MiB", "1 GiB"
	s, err := openStack(t.Context(), cfg, shop)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- s.run(ctx, func(ctx context.Context) error { close(ready); <-ctx.Done(); return nil })
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	select {
	case <-ready:
	case <-ctx.Done():
		t.Fatal("the service did not get ready")
	}
	if err := linked(s.capture.Status, true)(ctx, shop.Tools[0].ID); err != nil {
		t.Fatal(err)
	}
	rig.Tools()[shop.Tools[0].ID].Listened()
	gauge := rig.Tools()[shop.Tools[0].ID].(interface {
		Press(context.Context, simulator.Pressing, simulator.Wire) (simulator.Sent, error)
	})
	sent, err := gauge.Press(ctx, simulator.Pressing{Peak: quantity.Newtons(8e3), RunIn: quantity.Newtons(3e3), Seats: true, Length: 1200 * time.Millisecond}, simulator.Wire{})
	if err != nil {
		t.Fatal(err)
	}
	var got events.ReadingTaken
	for got.Stroke == nil {
		err := s.journal.Read(ctx, 1, 0, func(es []events.Entry) error {
			for _, e := range es {
				switch d := e.Data.(type) {
				case events.ReadingTaken:
					got = d
				case events.FrameRefused:
					t.Errorf("a frame was refused: %+v", d)
				}
			}
			return nil
		})
		if err != nil || t.Failed() {
			t.Fatal(err)
		}
		select {
		case <-ctx.Done():
			t.Fatal("no pressing was captured")
		case <-time.After(10 * time.Millisecond):
		}
	}
	if got.Text != sent.Text || math.Abs(got.Value.Base()-sent.Value.Base()) > 1e-6 || got.Unit != "kN" {
		t.Errorf("captured %s %s, %v N; sent %s, %v N", got.Text, got.Unit, got.Value.Base(), sent.Text, sent.Value.Base())
	}
	n := len(got.Stroke.Travel)
	if n < 100 || got.Stroke.Travel[n-1]-got.Stroke.Travel[0] < 15 {
		t.Errorf("its course has %d samples with travel: %+v", n, got.Stroke)
	}
}
