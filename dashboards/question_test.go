package dashboards

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// askedState is a made state in which a question is open. It takes answers,
// and tells the pages of its own decisions.
type askedState struct {
	madeState
	told    chan []Update
	answers chan events.QuestionAnswered
}

func (a *askedState) Submit(_ context.Context, d events.Data) (events.Entry, events.Decided, error) {
	q, ok := d.(events.QuestionAnswered)
	if !ok {
		return a.madeState.Submit(context.Background(), d)
	}
	a.answers <- q
	a.mu.Lock()
	dec := events.Decided{Cause: a.st.Cause + 1, Outcomes: []events.Outcome{{Data: events.QuestionSettled{Question: q.Question, Job: q.Job, By: q.By, Choice: q.Choice}}}}
	rules.Evolve(a.st, dec)
	a.mu.Unlock()
	fact := events.Entry{Seq: dec.Cause}
	a.told <- []Update{{Seq: dec.Cause + 1, Fact: fact, Decided: dec}}
	return fact, dec, nil
}

func (a *askedState) watch(ctx context.Context, _ int, fn func([]Update)) error {
	for {
		select {
		case us := <-a.told:
			fn(us)
		case <-ctx.Done():
			return nil
		}
	}
}

// asked is everyLook with a question about the last pull, a pull set aside, an
// audit that was judged, and a miss that may be one of three.
func asked() *rules.State {
	st := everyLook()
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	aside := events.PullSetAside{Reading: 30, Job: "J-1", Step: "cover", Pass: 1, Kind: events.ExplainedRepeat, Fastener: "4", P: 0.98,
		Why: "Rear cover: once more on fastener 4, which was tight already (98 %)", Bench: "axle", Tool: "k2-07", Value: nm(46.2), Text: "46.2", Unit: "N.m",
		AtUs: events.InstantOf(theDay)}
	rules.Evolve(st, events.Decided{Cause: 40, CauseUs: events.InstantOf(theDay), Outcomes: []events.Outcome{
		{Data: aside},
		{Data: events.ResidualJudged{Reading: 28, Job: "J-1", Step: "cover", Fastener: "5", Method: events.ResidualTighten, Residual: nm(44.1), U: nm(2.6),
			Installed: nm(45.8), Low: nm(38.9), High: nm(52.7), Agrees: true, Text: "agrees", By: "maren", AtUs: events.InstantOf(theDay)}},
		{Data: events.QuestionAsked{Question: "Q40", Job: "J-1", Bench: "axle", Step: "cover", Pass: 1, Reading: 30, Text: "Was that bolt 4 again?",
			Choices: []events.Choice{{Key: "again", Text: "Yes, 4 again", Kind: events.ExplainedRepeat, Fastener: "4"},
				{Key: "other", Text: "No, bolt 9", Kind: events.ExplainedOther, Fastener: "9"}, {Key: "unsure", Text: "I do not know"}}, AtUs: events.InstantOf(theDay)}},
	}})
	job := st.Jobs["J-1"]
	job.Steps[0].Fasteners[3].P = 0.997
	st.Alerts["A1-0"].Fasteners = []string{"3", "10", "12"}
	st.Alerts["A1-0"].Likely = []events.FastenerWeight{{Fastener: "10", P: 0.62}, {Fastener: "12", P: 0.24}, {Fastener: "3", P: 0.09}}
	return st
}

func askedPages(t *testing.T, st *rules.State) (*askedState, string) {
	t.Helper()
	l, err := ledger.Open(context.Background(), ledger.Config{Path: t.TempDir() + "/ledger.db"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	a := &askedState{madeState: madeState{st: st}, told: make(chan []Update, 4), answers: make(chan events.QuestionAnswered, 4)}
	p, err := New(Config{Service: a, Ledger: l, Watch: a.watch, Now: standing})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = p.Run(ctx) }()
	s := serve(t, p)
	t.Cleanup(func() { s.CloseClientConnections(); cancel(); <-done })
	return a, s.URL
}

func TestQuestionIsAnswered(t *testing.T) {
	a, url := askedPages(t, asked())
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1280, 800), chromedp.Navigate(url+"/bench/axle"))
	b.see("the question", `document.querySelector("#question h2").textContent === "Was that bolt 4 again?"`)
	b.pictures("question-nobody")
	b.do(chromedp.EmulateViewport(1280, 800), chromedp.Click(chromedp.CSS(`.who button[value="ines"]`)))
	b.see("her name", `document.querySelector(".top .btn").textContent.includes("Ines Varga")`)
	b.see("the stream", live)
	for _, size := range screens[:2] {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		b.see("buttons for gloves", `[...document.querySelectorAll("#question button")].every(e => e.getBoundingClientRect().height >= 64 && e.getBoundingClientRect().width >= 64)`)
		hidden := eval[string](t, b.ctx, covers)
		if hidden != "" {
			t.Errorf("%v: the question hides %s", size, hidden)
		}
	}
	b.pictures("question")
	b.do(chromedp.Click(chromedp.CSS(`#question button[value="other"]`)))
	if got := <-a.answers; got.Question != "Q40" || got.Choice != "other" || got.By != "ines" || got.Job != "J-1" {
		t.Errorf("answered with %+v", got)
	}
	b.see("the question to be gone", `!document.getElementById("question")`)
}

// covers names what a question lies over or pushes off the screen.
const covers = `(() => {
	const q = document.getElementById("question").getBoundingClientRect();
	const bad = [];
	for (const s of ["#last .value", "#next .where", ".side .caution", ".alert"]) {
		const e = document.querySelector(s);
		if (!e) continue;
		const r = e.getBoundingClientRect();
		const over = r.left < q.right && q.left < r.right && r.top < q.bottom && q.top < r.bottom;
		if (over || r.bottom > innerHeight || r.height === 0) bad.push(s);
	}
	if (q.bottom > innerHeight) bad.push("itself");
	return bad.join(", ");
})()`

func TestQuestionGoesWhenSettledElsewhere(t *testing.T) {
	a, url := askedPages(t, asked())
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(url+"/bench/axle"))
	b.see("the question and the stream", `document.getElementById("question") && `+live)
	if _, _, err := a.Submit(context.Background(), events.QuestionAnswered{Ask: events.Ask{By: "tomas"}, Job: "J-1", Question: "Q40", Choice: "again"}); err != nil {
		t.Fatal(err)
	}
	b.see("the question to be gone", `!document.getElementById("question")`)
}

// A miss that may be any of three is drawn as a possible miss at each; the
// look differs by shape, and words and voice say how probable it is.
func TestPossibleMisses(t *testing.T) {
	_, url := askedPages(t, asked())
	ctx := browse(t)
	do(t, ctx, chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(url+"/bench/axle"))
	shown := func(id string) string {
		return eval[string](t, ctx, fmt.Sprintf(`[...document.querySelectorAll('.face .bolt[data-id="%s"] :is(.ghost, .hole, .s-full, .s-part)')].filter(e => getComputedStyle(e).display !== "none").map(e => e.getAttribute("class").replace("s ", "")).join(" ")`, id))
	}
	for id, want := range map[string]string{"10": "ghost", "12": "ghost", "3": "s-full ghost", "4": "s-full", "1": "s-part"} {
		if got := shown(id); got != want {
			t.Errorf("fastener %s shows %q, want %q", id, got, want)
		}
	}
	text := eval[string](t, ctx, `document.querySelector(".alert").textContent`)
	if want := "Probably 10 (62 %), else 12 (24 %) or 3 (9 %)."; !strings.Contains(text, want) {
		t.Errorf("the alert says %q, want %q in it", text, want)
	}
	label := eval[string](t, ctx, `document.querySelector('.face .bolt[data-id="4"]').getAttribute("aria-label")`)
	if !strings.Contains(label, "reasoned, 99.7 %") {
		t.Errorf("fastener 4 is read as %q", label)
	}
	aside := eval[string](t, ctx, `document.querySelector(".aside").textContent + document.querySelector(".audits").textContent`)
	for _, want := range []string{"Second pull on 4, set aside", "Audit of fastener 5 agrees with its installation at 45.8 N·m", "44.1 ± 2.6 N·m"} {
		if !strings.Contains(aside, want) {
			t.Errorf("the note says %q, want %q in it", aside, want)
		}
	}
}

func TestAuditAndClosingRoundAreSaid(t *testing.T) {
	st := asked()
	job := st.Jobs["J-1"]
	job.Question = nil
	job.Audit = &events.ResidualAuditOpened{Job: "J-1", Step: "cover", Fastener: "5", Method: events.ResidualTighten, By: "maren"}
	_, url := askedPages(t, st)
	see := func(path string, wants ...string) {
		t.Helper()
		resp, err := http.Get(url + path)
		if err != nil {
			t.Fatal(err)
		}
		_, body := read(t, resp)
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
	see("/bench/axle", "The next pull is the audit of fastener 5. It counts for nothing.", `data-kind="audit"`)
	see("/bench/axle/ask/audit", "Audit a finished fastener", "Loosen until it just breaks loose", "maker&#39;s instructions come first", "Fastener 5, Rear cover")

	job.Audit = nil
	joint := job.Proc.Steps[0].Joint
	joint.Passes[1].Closing = true
	see("/bench/axle", "Closing round: pull every bolt that has the collar once more at 45.0 N·m. It must not turn.", `data-kind="closing"`)
	for k := range job.Steps[0].Fasteners {
		job.Steps[0].Fasteners[k].Closing = 1
	}
	see("/bench/axle", `/ask/turned`, "It turned")
	see("/bench/axle/ask/turned", "Which fastener turned?", "None may turn in the closing round", "Rear cover")
}

// With nobody named the page asks who works here; the whole figure stays on
// the screen all the same.
func TestFigureFitsWithNobodyNamed(t *testing.T) {
	r := newRig(t)
	r.open()
	r.pull("24.8")
	ctx := browse(t)
	for _, size := range screens[:2] {
		do(t, ctx, chromedp.EmulateViewport(size[0], size[1]), chromedp.Navigate(r.server.URL+"/bench/axle"))
		seen(t, ctx, "the stream", live)
		picture(t, ctx, "nobody", size[0], size[1])
		if cut := eval[float64](t, ctx, `document.querySelector("#last").getBoundingClientRect().bottom - document.querySelector(".bar").getBoundingClientRect().top`); cut > 0 {
			t.Errorf("%v: %v pixels of the figure's card are cut off", size, cut)
		}
	}
}

// What is weighed anew with every pull must not make every page fetch itself
// anew; a question and what ends it must.
func TestWeighingDoesNotReload(t *testing.T) {
	st := asked()
	v := viewer{st, standing()}
	for _, tc := range []struct {
		o      events.OutcomeData
		reload bool
	}{
		{events.PullWeighed{Job: "J-1", Step: "cover"}, false},
		{events.WitnessWeighed{Job: "J-1", Step: "cover"}, false},
		{events.QuestionAsked{Job: "J-1", Bench: "axle"}, true},
		{events.QuestionSettled{Job: "J-1"}, true},
		{events.ResidualAuditOpened{Job: "J-1"}, true},
		{events.PullSetAside{Reading: 30, Job: "J-1", Bench: "axle"}, true},
	} {
		var p patch
		p.add(v, "axle", tc.o)
		if p.Reload != tc.reload {
			t.Errorf("%T: reload %v, want %v", tc.o, p.Reload, tc.reload)
		}
		if b, known := benchOf(st, tc.o); b != "axle" || !known {
			t.Errorf("%T touches bench %q (%v), want axle alone", tc.o, b, known)
		}
	}
}

func TestPercent(t *testing.T) {
	for p, want := range map[float64]string{0.9999: "over 99.9 %", 0.997: "99.7 %", 1: "100 %", 0.62: "62 %", 0.004: "under 1 %", 0: "0 %"} {
		if got := percent(p); got != want {
			t.Errorf("percent(%v) is %q, want %q", p, got, want)
		}
	}
}
