package dashboards

import (
	"encoding/json"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

// heldProcedure has a hold point behind its only attested step.
const heldProcedure = `procedure: U6
revision: H
title: "Ullock U6: hub"
unit: Ullock U6
steps:
  - id: build
    title: Hub and rings
    kind: attest
    text: [Hub on, rings on, snap ring on.]
    statement: All of it sits.
    hold: second_person
  - id: last
    title: Look it over
    kind: attest
    statement: It is clean.
`

// TestCountersignInBrowser: at an enrolled screen Ines works; the hold point is
// released by Maren, who types her secret into the dialog: a wrong one is
// refused there and leaves the dialog, Escape does nothing, a right one releases
// it in her name. No secret stays in the page.
func TestCountersignInBrowser(t *testing.T) {
	h := newHouse(t)
	h.release(heldProcedure)
	h.ask(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "gearbox", AtUs: events.InstantOf(h.clock())}, Job: "J-2", UnitSerial: "U6-0042", Procedure: "U6", Revision: "H"})
	h.ask(events.StepConfirmAsked{Ask: events.Ask{By: "ines", Bench: "gearbox", AtUs: events.InstantOf(h.clock())}, Job: "J-2", Step: "build"})
	h.furnish(t)
	h.pass(10 * time.Minute) // the tries of this address begin anew
	var code struct{ Code string }
	drawn := h.signIn(t, "ruth").want(t, 200, "POST", "/access/enrol", url.Values{"name": {"screen-7"}, "kind": {access.KindScreen}, "bench": {"gearbox"}})
	if err := json.Unmarshal([]byte(drawn.body), &code); err != nil {
		t.Fatal(err)
	}
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1280, 800), chromedp.Navigate(h.server.URL+"/enrol"),
		chromedp.SendKeys(chromedp.CSS(`input[name="code"]`), code.Code+kb.Enter))
	b.see("the bench of the screen", `location.pathname === "/bench/gearbox" || location.pathname === "/"`)
	b.do(chromedp.Navigate(h.server.URL + "/bench/gearbox"))
	b.see("the question who works here", `document.querySelector('.who button[value="ines"]')`)
	b.do(chromedp.Click(chromedp.CSS(`.who button[value="ines"]`)))
	b.see("her name", `document.querySelector(".top .btn").textContent.includes("Ines Varga")`)
	b.see("the stream", live)

	dialog := func(js string) string { return `document.getElementById("dialog").open && (` + js + `)` }
	chosen := func() {
		t.Helper()
		b.see("who can release it", dialog(`document.querySelector('#dialog input[name="by"][value="maren"]')`))
		b.do(chromedp.Click(chromedp.CSS(`#dialog input[name="by"][value="maren"] + span`)))
		b.do(chromedp.Click(chromedp.CSS(`#dialog .acts button.main`)))
		b.see("the question for her secret", dialog(`document.activeElement.name === "secret" && document.activeElement.type === "password"`))
	}
	asked := func() {
		t.Helper()
		b.see("the way to the hold point", `document.querySelector('[data-key="e"]')`)
		b.keys("e")
		chosen()
	}
	released := func() (by string) {
		err := h.journal.Read(t.Context(), 1, 0, func(es []events.Entry) error {
			for _, e := range es {
				d, _ := e.Data.(events.Decided)
				for _, o := range d.Outcomes {
					if x, ok := o.Data.(events.HoldReleased); ok {
						by = x.By
					}
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return by
	}
	asked()
	b.see("whose secret it is", dialog(`document.getElementById("dialog").textContent.includes("Passphrase or secret badge code of Maren Holt")`))
	b.see("what is done", dialog(`document.querySelector("#dialog h1").textContent.includes("Hold point") && document.querySelector("#dialog .main").textContent.includes("release")`))
	b.pictures("countersign")
	for _, size := range screens {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		if out := eval[bool](t, b.ctx, `(() => { const d = document.getElementById("dialog"), r = d.getBoundingClientRect(), s = d.querySelector('button.main').getBoundingClientRect();
			return r.left < 0 || r.right > innerWidth || r.top < 0 || r.bottom > innerHeight || s.bottom > innerHeight })()`); out {
			t.Errorf("at %dx%d the dialog or its button sticks out", size[0], size[1])
		}
	}
	b.do(chromedp.EmulateViewport(1280, 800))
	b.keys(kb.Escape)
	b.see("the bench again", `!document.getElementById("dialog").open`)
	if by := released(); by != "" {
		t.Errorf("Escape released it in the name of %q", by)
	}

	// A scanner's first letter in the very moment of the closing, while the focus is
	// still in the field that nobody sees, is a letter of a label: it goes to the
	// field for scans, where the page has one.
	asked()
	if at := eval[string](t, b.ctx, `(() => {
		const field = Object.assign(document.createElement("input"), { id: "scan-field" });
		document.getElementById("live").append(field);
		document.getElementById("dialog").close();
		const from = document.activeElement;
		from.dispatchEvent(new KeyboardEvent("keydown", { key: "x", bubbles: true }));
		const to = document.activeElement;
		field.remove();
		return from.name + " to " + to.id;
	})()`); at != "secret to scan-field" {
		t.Errorf("a letter in the moment of closing took the focus from %s", at)
	}
	// The key again in that moment, before the page's own "close".
	asked()
	if at := eval[string](t, b.ctx, `(() => {
		document.getElementById("dialog").close();
		const at = document.activeElement;
		at.dispatchEvent(new KeyboardEvent("keydown", { key: "e", bubbles: true }));
		return at.name || at.nodeName;
	})()`); at != "secret" {
		t.Errorf("when the dialog closes the focus is at %s, so this tries nothing", at)
	}
	chosen()
	b.do(chromedp.SendKeys(chromedp.CSS(`#dialog input[name="secret"]`), "not her secret"+kb.Enter))
	b.see("that it is refused", dialog(`document.querySelector('#dialog [data-refused]').textContent.includes("do not belong together")`))
	b.pictures("countersign-wrong")
	if by := released(); by != "" {
		t.Errorf("a wrong secret released it in the name of %q", by)
	}
	b.see("an empty field for the next try", dialog(`document.querySelector('#dialog input[name="secret"]').value === "" && !document.querySelector("#dialog .main").disabled`))
	b.do(chromedp.SendKeys(chromedp.CSS(`#dialog input[name="secret"]`), secretOf("maren")+kb.Enter))
	b.see("the dialog gone", `!document.getElementById("dialog").open`)
	b.see("the hold point gone", `!document.querySelector('[data-key="e"]')`)
	h.wait("the release", func() bool { return released() == "maren" })
	if html := eval[string](t, b.ctx, `document.documentElement.outerHTML + location.href + JSON.stringify(localStorage) + [...document.querySelectorAll("input")].map(i => i.value).join()`); strings.Contains(html, secretOf("maren")) {
		t.Error("the page still holds the secret")
	}
	// Who works here is still Ines: the lead is not signed in.
	b.see("her name", `document.querySelector(".top").textContent.includes("Ines Varga")`)
}
