package dashboards

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// browse starts Debian's Chromium; without one the test is skipped, loudly.
func browse(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("SKIPPED: no chromium")
	}
	alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("hide-scrollbars", true), chromedp.Flag("mute-audio", true),
		chromedp.Flag("autoplay-policy", "document-user-activation-required"))
	ctx, cancel := chromedp.NewContext(alloc)
	ctx, cancelTime := context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(func() { cancelTime(); cancel(); cancelAlloc() })
	// The browser lives as long as the context of its first run, so that is this one.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium does not start: %v", err)
	}
	return ctx
}

// answerTime is the time a browser has for one thing asked of it; it only ends a hang.
const answerTime = 3 * time.Minute

// inTime runs one thing in the browser, and ends the test with words when no
// answer comes.
func inTime[T any](t *testing.T, ctx context.Context, what string, step chromedp.Action[T]) (T, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	v, err := chromedp.Run(ctx, step)
	if ctx.Err() != nil {
		t.Fatalf("the browser gave no answer within %v to %s: %v", answerTime, what, err)
	}
	return v, err
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	for i, step := range steps {
		if _, err := inTime(t, ctx, fmt.Sprintf("step %d of %d", i+1, len(steps)), step); err != nil {
			t.Fatal(err)
		}
	}
}

func eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	v, err := inTime(t, ctx, js, chromedp.Evaluate[T](js))
	if err != nil {
		t.Fatalf("%s: %v", js, err)
	}
	return v
}

// seen waits until a JavaScript expression is true in the page.
func seen(t *testing.T, ctx context.Context, what, js string) {
	t.Helper()
	poll(t, what, func() bool {
		ok, err := inTime(t, ctx, what+", "+js, chromedp.Evaluate[bool]("!!("+js+")"))
		return err == nil && ok // between two pages there is nothing to ask
	})
}

// picture keeps a picture of the page; 'go test -artifacts' keeps them.
func picture(t *testing.T, ctx context.Context, name string, w, h int64) {
	t.Helper()
	do(t, ctx, chromedp.EmulateViewport(w, h))
	b, err := inTime(t, ctx, "a picture of "+name, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	keep(t, fmt.Sprintf("%s-%dx%d.png", name, w, h), b)
}

func keep(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), name), b, 0o644); err != nil {
		t.Fatal(err)
	}
}
