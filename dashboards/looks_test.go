package dashboards

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http/httptest"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// madeState is a state that a test makes by hand.
type madeState struct {
	mu sync.RWMutex
	st *rules.State
}

func (m *madeState) View(fn func(*rules.State)) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	fn(m.st)
}

func (m *madeState) Submit(context.Context, events.Data) (events.Entry, events.Decided, error) {
	return events.Entry{}, events.Decided{}, errors.New("nobody decides in this test")
}

// everyLook is a job whose step has one fastener in each look.
func everyLook() *rules.State {
	st := rules.New()
	st.Shop = testShop()
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	joint := &procedure.Joint{Class: procedure.ClassB, Passes: []procedure.Pass{
		{Name: "snug", Target: nm(25), LSL: nm(20), USL: nm(30), Unit: quantity.NewtonMetre},
		{Name: "final", Target: nm(45), LSL: nm(40.5), USL: nm(49.5), Unit: quantity.NewtonMetre},
	}}
	const n = 12
	for i := range n {
		a := float64(i) / n * 2 * math.Pi
		joint.Fasteners = append(joint.Fasteners, procedure.Fastener{ID: fmt.Sprint(i + 1), X: 120 * math.Sin(a), Y: 120 * math.Cos(a), Head: 17.8})
		for p := range joint.Passes {
			joint.Passes[p].Order = append(joint.Passes[p].Order, i)
		}
	}
	proc := &procedure.Procedure{ID: "RA-210", Revision: "T", Title: "Every look", Unit: "Brackwater RA-210",
		Faces: []procedure.Face{{ID: "cover", Title: "Rear cover", Outlines: []procedure.Outline{{Shape: "circle", R: 150, Style: "body"}, {Shape: "circle", R: 50, Style: "bore"}}}},
		Steps: []procedure.Step{{ID: "cover", Title: "Rear cover", Kind: procedure.Torque, Face: "cover", Joint: joint}}}
	mark := func(pass int, v float64, verdict events.Verdict, g events.Grade) rules.Mark {
		return rules.Mark{Reading: uint64(10 + pass), Verdict: verdict, Grade: g, Judged: &events.ReadingJudged{
			Reading: uint64(10 + pass), Step: "cover", Pass: pass, Fastener: "x", Value: nm(v), Text: fmt.Sprint(v), Unit: "N.m",
			LSL: joint.Passes[pass].LSL, USL: joint.Passes[pass].USL, Target: joint.Passes[pass].Target, Verdict: verdict, Tool: "k2-07"}}
	}
	snug := mark(0, 25.2, events.Within, events.Counted)
	fs := make([]rules.FastenerState, n)
	for i := range fs {
		fs[i].Marks = make([]rules.Mark, 2)
	}
	fs[0].Marks[0] = snug // next, in the final pass
	fs[1].Marks[0] = snug // partly done
	fs[2].Marks = []rules.Mark{snug, mark(1, 45.1, events.Within, events.Counted)}
	fs[3].Marks = []rules.Mark{snug, mark(1, 44.7, events.Within, events.Reasoned)}
	fs[4].Marks = []rules.Mark{snug, mark(1, 45.8, events.Within, events.Placed)}
	fs[5].Marks = []rules.Mark{snug, mark(1, 49.1, events.Doubtful, events.Counted)}
	fs[6].Marks = []rules.Mark{snug, mark(1, 38.2, events.Low, events.Counted)}
	fs[7].Marks = []rules.Mark{snug, mark(1, 53.4, events.High, events.Counted)}
	fs[7].Held = true
	fs[8].Redo = true
	// 9: missed, by the alert below
	fs[10].Marks = []rules.Mark{snug, mark(1, 50.2, events.High, events.Placed)}
	fs[10].Accepted = true
	job := &rules.Job{ID: "J-1", UnitSerial: "RA-0042", Proc: proc, Bench: "axle", Technician: "ines", Status: rules.JobActive,
		Steps: []rules.StepState{{Fasteners: fs, Pass: 1}}, Alerts: []string{"A1-0"}, PointedStep: "cover", Pointed: "1"}
	st.Jobs["J-1"], st.BenchJob["axle"] = job, "J-1"
	st.Alerts["A1-0"] = &rules.Alert{AlertRaised: events.AlertRaised{Alert: "A1-0", Kind: events.AlertMissed, Bench: "axle", Job: "J-1", Step: "cover",
		Fasteners: []string{"10"}, Text: "fastener 10 of the rear cover was left behind.", Todo: "Go back to fastener 10 and pull it.", Blocks: true, AtUs: events.InstantOf(theDay)}}
	return st
}

func looksServer(t *testing.T) *httptest.Server {
	t.Helper()
	l, err := ledger.Open(context.Background(), ledger.Config{Path: t.TempDir() + "/ledger.db"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	p, err := New(Config{Service: &madeState{st: everyLook()}, Ledger: l, Watch: func(ctx context.Context, _ int, _ func([]Update)) error { <-ctx.Done(); return nil }})
	if err != nil {
		t.Fatal(err)
	}
	return serve(t, p)
}

// visibleParts tells which parts of each bolt are drawn, by the bolt's id.
const visibleParts = `Object.fromEntries([...document.querySelectorAll(".face .bolt")].map(g => [g.dataset.id,
	[...g.querySelectorAll(".s, .collar, .hole")].filter(e => getComputedStyle(e).display !== "none")
		.map(e => e.getAttribute("class").replace("s ", "").split(" ")[0]).join(" ")]))`

func TestEveryLookIsDrawn(t *testing.T) {
	s := looksServer(t)
	ctx := browse(t)
	do(t, ctx, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(s.URL+"/bench/axle"))
	got := eval[map[string]string](t, ctx, visibleParts)
	want := map[string]string{
		"1": "s-part collar", "2": "s-part", "3": "s-full", "4": "s-full", "5": "s-full", "6": "s-beads", "7": "s-short",
		"8": "s-past", "9": "s-broken", "10": "hole", "11": "s-full s-flag", "12": "",
	}
	for id, w := range want {
		if got[id] != w {
			t.Errorf("fastener %s shows %q, want %q", id, got[id], w)
		}
	}
	width := func(id string) float64 {
		return eval[float64](t, ctx, fmt.Sprintf(`parseFloat(getComputedStyle(document.querySelector('.bolt[data-id="%s"] .s-full .fill')).strokeWidth)`, id))
	}
	if c, r, p := width("3"), width("4"), width("5"); !(c < r && r < p) {
		t.Errorf("stripe widths by grade: counted %v, reasoned %v, placed %v; want them to grow", c, r, p)
	}
	picture(t, ctx, "looks", 1920, 1080)
	do(t, ctx, chromedp.EmulateViewport(1920, 1080, chromedp.EmulateScale(0.25)))
	b, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "looks-two-metres.png", b)
	do(t, ctx, chromedp.EmulateViewport(1600, 1000), chromedp.Navigate(s.URL+"/legend"))
	picture(t, ctx, "legend", 1600, 1100)
}
