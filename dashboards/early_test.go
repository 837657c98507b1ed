package dashboards

import (
	"context"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events"
)

// TestFigureComesAheadOfItsPatch holds the patches back, as a slow sync of the
// decision would: the figure is there all the same, and without an id, so that
// a client that breaks off here comes back for the patch.
func TestFigureComesAheadOfItsPatch(t *testing.T) {
	synced := make(chan struct{})
	r := newRig(t, func(r *rig, c *Config) {
		c.Early = Watch(r.service.SubscribeEarly)
		c.Watch = func(ctx context.Context, buffer int, fn func([]Update)) error {
			return Watch(r.service.Subscribe)(ctx, buffer, func(us []Update) {
				if slices.ContainsFunc(us, func(u Update) bool { _, ok := u.Fact.Data.(events.ReadingTaken); return ok }) {
					select {
					case <-synced:
					case <-ctx.Done():
					}
				}
				fn(us)
			})
		}
	})
	r.open()
	r.get("/bench/axle")
	next, stop := r.listen("bench=axle&boot="+r.pages.hub.boot+"&after="+strconv.FormatUint(r.cause(), 10), 0)
	defer stop()
	r.pull("24.8")
	m := next()
	var early lastView
	if err := json.Unmarshal([]byte(m.data), &early); m.event != "reading" || m.id != 0 || err != nil {
		t.Fatalf("message %+v (%v), want a reading without id", m, err)
	}
	if early.Value != "24.8" || early.Unit != "N·m" || early.Verdict != "within" || early.Where != "Rear cover: fastener 1, snug pass" {
		t.Errorf("early reading %+v", early)
	}
	close(synced)
	m = next()
	p := patchOf(t, m)
	if m.id == 0 || p.Reading == nil || p.Reading.Reading != early.Reading || p.Reading.Value != early.Value {
		t.Errorf("patch with id %d and reading %+v, want that of the early %+v", m.id, p.Reading, early)
	}
}

// TestOldEarlyFigureStaysBehind sends the page an early reading that is older
// than the one it shows, as a crowded moment may.
func TestOldEarlyFigureStaysBehind(t *testing.T) {
	told := make(chan Update)
	r := newRig(t, func(_ *rig, c *Config) {
		c.Early = func(ctx context.Context, _ int, fn func([]Update)) error {
			for {
				select {
				case u := <-told:
					fn([]Update{u})
				case <-ctx.Done():
					return nil
				}
			}
		}
	})
	r.open()
	decisions, cancel := r.service.Subscribe(16)
	defer cancel()
	b := atBench(t, r)
	var us []Update
	for _, v := range []string{"24.1", "25.2", "26.3"} {
		r.pull(v)
		us = append(us, Update(<-decisions))
	}
	b.see("the last figure", `document.querySelector('#last [data-f="value"]').textContent === "26.3"`)
	b.do(chromedp.Navigate(r.server.URL + "/bench/axle"))
	b.see("the stream", live)
	eval[bool](t, b.ctx, `(window.shown = [], new MutationObserver(() =>
		shown.push(document.querySelector('#last [data-f="value"]').textContent)).observe(document.body, {subtree: true, childList: true, characterData: true}), true)`)
	told <- us[0] // old: must change nothing
	told <- us[1]
	last := us[2] // and one that is newer than all
	var j events.ReadingJudged
	for _, o := range last.Decided.Outcomes {
		if judged, ok := o.Data.(events.ReadingJudged); ok {
			j = judged
		}
	}
	last.Fact.Seq += 1000
	j.Reading, j.Text = last.Fact.Seq, "27.4"
	last.Decided.Outcomes = []events.Outcome{{Data: j}}
	told <- last
	b.see("the newer figure", `document.querySelector('#last [data-f="value"]').textContent === "27.4"`)
	if shown := eval[string](t, b.ctx, `shown.join(" ")`); shown != "" {
		for _, old := range []string{"24.1", "25.2"} {
			if slices.Contains(strings.Fields(shown), old) {
				t.Errorf("the page showed %s, of an older reading, in %q", old, shown)
			}
		}
	}
}
