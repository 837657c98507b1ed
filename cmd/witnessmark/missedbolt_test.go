package main

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"witnessmark/simulator"
)

// openBrowser starts Debian's Chromium; without one the test is skipped,
// loudly.
func openBrowser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("SKIPPED: no chromium")
	}
	alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("hide-scrollbars", true), chromedp.Flag("mute-audio", true))
	ctx, cancel := chromedp.NewContext(alloc)
	ctx, cancelTime := context.WithTimeout(ctx, 10*time.Minute)
	t.Cleanup(func() { cancelTime(); cancel(); cancelAlloc() })
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium does not start: %v", err)
	}
	return ctx
}

// actTime is the time that a browser has for one thing; it only ends a hang.
const actTime = 3 * time.Minute

func act(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	for i, step := range steps {
		if _, err := browserDoes(ctx, step); err != nil {
			t.Fatalf("step %d of %d in the browser: %v", i+1, len(steps), err)
		}
	}
}

// browserDoes runs one thing in the browser. The browser itself lives as long as the
// context of its first run, so that is made in openBrowser.
func browserDoes[T any](ctx context.Context, step chromedp.Action[T]) (T, error) {
	ctx, cancel := context.WithTimeout(ctx, actTime)
	defer cancel()
	return chromedp.Run(ctx, step)
}

// waitShown waits until a JavaScript expression is true in the page.
func waitShown(t *testing.T, ctx context.Context, what, js string) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(5 * time.Minute); ; {
		if ok, err := browserDoes(ctx, chromedp.Evaluate[bool]("!!("+js+")")); err == nil && ok {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("the browser's time is over before the page shows %s: %s", what, js)
		case <-deadline:
			keepPicture(t, ctx, "failed")
			t.Fatalf("the page never shows %s: %s", what, js)
		}
	}
}

// keepPicture keeps a picture of the page; 'go test -artifacts' keeps them.
func keepPicture(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	b, err := browserDoes(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), name+".png"), b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// gate stops the gearbox technician each time he asks for release.
type gate struct {
	at   chan struct{} // he stands before it
	pass chan struct{} // he may go on
}

func (g *gate) saw(ctx context.Context) func(simulator.Job, simulator.Action) {
	return func(j simulator.Job, a simulator.Action) {
		if j.Bench != "gearbox" || a.Do != simulator.DoRelease {
			return
		}
		for _, c := range []chan struct{}{g.at, g.pass} {
			select {
			case c <- struct{}{}:
			case <-ctx.Done():
				return
			}
		}
	}
}

// The promise of the whole program: in the Ullock U6 one bolt of the extension
// housing is forgotten. The bench page draws it as missed and says so before
// release, release is refused until it is pulled, and the record then has a
// witness for each fastener. Real bytes on pseudo-terminals, a real browser.
func TestMissedBoltShowsBeforeRelease(t *testing.T) {
	page := openBrowser(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	g := &gate{at: make(chan struct{}), pass: make(chan struct{})}
	o := demoOptions{speed: 1, seed: 5, rounds: 1, plain: true}
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = t.TempDir(), "127.0.0.1:0", "error"
	d, err := openDemo(ctx, cfg, o, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	defer d.rig.Close()
	d.saw = g.saw(ctx)
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx, io.Discard, io.Discard) }()
	step := func(c chan struct{}, what string) {
		t.Helper()
		select {
		case <-c:
		case err := <-ended:
			t.Fatalf("the demonstration ended before %s: %v", what, err)
		case <-page.Done():
			t.Fatalf("never: %s", what)
		}
	}

	step(g.at, "he asks for release") // all is done but one bolt, and he is about to ask
	act(t, page, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(d.stack.url()+"/bench/gearbox?step=extension"))
	waitShown(t, page, "the missed bolt", `document.querySelector('.face .bolt[data-look="missed"]')`)
	waitShown(t, page, "its alert", `document.body.innerText.includes('Extension housing') && document.body.innerText.match(/is not done \(final pass\)/)`)
	waitShown(t, page, "the step's caution whole, although an alert and a question take room", `(() => {
		const box = (q) => document.querySelector(q).getBoundingClientRect(), c = box('.bench .caution');
		return c.height > 0 && c.bottom <= Math.min(box('.bar').top, box('.bench .now').bottom) + 1;
	})()`)
	keepPicture(t, page, "missed")

	// Somebody presses release on the page: it says what is open and refuses.
	act(t, page, chromedp.Navigate(d.stack.url()+"/bench/gearbox/ask/release"))
	waitShown(t, page, "that the release will be refused", `document.body.innerText.includes('Still open')`)
	waitShown(t, page, "the form", `document.querySelector('input[name="by"][value="maren"]')`)
	if _, err := browserDoes(page, chromedp.Evaluate[bool](`document.querySelector('input[name="by"][value="maren"]').click(), document.querySelector('form[action="/do/release"] button').click(), true`)); err != nil {
		t.Fatal(err)
	}
	waitShown(t, page, "the refusal", `document.querySelector('[data-refused]:not([hidden])')?.innerText.includes('Extension housing') || document.body.innerText.includes('has open work')`)
	keepPicture(t, page, "refused")
	released := func() bool {
		l, err := d.stack.ledger.Job(ctx, "j-1002")
		return err == nil && !l.Open()
	}
	if released() {
		t.Fatal("released with a missed bolt")
	}

	step(g.pass, "he may go on")            // he asks, is refused too, goes back, pulls the bolt
	step(g.at, "he asks for release again") // and asks again
	act(t, page, chromedp.Navigate(d.stack.url()+"/bench/gearbox?step=extension"))
	waitShown(t, page, "a mark on each bolt", `document.querySelectorAll('.face .bolt').length === 8 && document.querySelectorAll('.face .bolt[data-look="witnessed"]').length === 8`)
	waitShown(t, page, "no alert about the bolt", `!document.body.innerText.match(/is not done \(final pass\)/)`)
	step(g.pass, "he may go on at last")
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !released() {
		select {
		case <-tick.C:
		case <-page.Done():
			t.Fatal("never released")
		}
	}
	act(t, page, chromedp.Navigate(d.stack.url()+"/jobs/j-1002"))
	waitShown(t, page, "the record", `document.body.innerText.includes('37 of 37') || document.body.innerText.match(/37\s+witnessed/)`)
	keepPicture(t, page, "record")
	stop()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(5 * time.Minute):
		t.Error("the demonstration does not end")
	}
}

// Every mistake that the demonstration shows brings the alerts that the truth
// demands and no other; the jobs without one raise none.
func TestDemoAgreesWithTheTruth(t *testing.T) {
	ctx := t.Context()
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = t.TempDir(), "127.0.0.1:0", "error"
	d, err := openDemo(ctx, cfg, demoOptions{exit: true, speed: 1, seed: 11, rounds: len(demoFaults), plain: true}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	defer d.rig.Close()
	var out strings.Builder
	if err := d.run(ctx, &out, io.Discard); err != nil {
		t.Errorf("%v\n%s", err, out.String())
	}
}
