package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"runtime"
	"testing"

	"go.uber.org/goleak"
)

// TestStackLeavesNothing: a service that was started, looked at and stopped
// leaves no goroutine and no open file.
func TestStackLeavesNothing(t *testing.T) {
	http.DefaultClient.CloseIdleConnections()
	ours := goleak.IgnoreCurrent()
	defer func() {
		var err error
		for range 100 { // each look waits a second or so itself; a slow machine takes its time
			if err = goleak.Find(ours); err == nil {
				return
			}
		}
		t.Error(err)
	}()
	before := openFiles()
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax = t.TempDir(), "127.0.0.1:0", "error", "1 MiB", "1 GiB"
	shop := benchShop(1)
	shop.Devices = nil
	for range 2 { // new, and again over what is there
		s, err := openStack(t.Context(), cfg, shop)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		err = s.run(ctx, func(context.Context) error {
			defer cancel()
			resp, err := http.Get(s.url() + "/")
			if err != nil {
				return err
			}
			_, err = io.Copy(io.Discard, resp.Body)
			return errors.Join(err, resp.Body.Close())
		})
		if cancel(); err != nil && !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
	}
	http.DefaultClient.CloseIdleConnections()
	if _, files := leftOver(runtime.NumGoroutine(), before); files > 0 {
		t.Errorf("%d files are left open", files)
	}
}
