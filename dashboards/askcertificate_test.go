package dashboards

import (
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"witnessmark/events"
	"witnessmark/events/ledger"
)

func certificateRig(t *testing.T) *rig {
	t.Helper()
	r := newRig(t, func(r *rig, c *Config) { c.Photos = r.journal })
	r.ask(events.ShopDescribed{Shop: careShop(), Hash: "care"})
	return r
}

func (r *rig) certificates(tool string) []ledger.Certificate {
	r.t.Helper()
	r.settled()
	all, err := r.ledger.CertificatesOf(r.t.Context(), tool)
	if err != nil {
		r.t.Fatal(err)
	}
	return all
}

// TestCertificateForm posts the form as a browser without scripts does: what is
// wrong stands beside its field, with everything that was typed, and only a
// right one is entered, once.
func TestCertificateForm(t *testing.T) {
	r := certificateRig(t)
	_, page := r.get("/tools/k2-07")
	wants(t, "the tool's page", page, `href="/tools/k2-07/certificate"`, "Enter a laboratory's certificate")
	_, page = r.get("/tools/k2-07/certificate")
	wants(t, "the form", page, "Orrin K2 no. 7", "10 to 200 N·m", "Deviation, %", "Petra Lind", "Maren Holt")
	if strings.Contains(page, "Ines Varga") {
		t.Error("a technician is offered as one who enters certificates")
	}
	_, page = r.get("/tools/d3-01/certificate")
	wants(t, "the form of an indicator", page, "Deviation, mm", "12.7 mm")

	typed := url.Values{"certificate": {"L-4471"}, "laboratory": {""}, "date": {"2026-11-26"}, "due": {"2026-01-01"}, "phase": {"left"}, "k": {"two"}, "by": {"petra"},
		"point": {"20 N·m", "", "400 N·m", "120", ""}, "direction": {"cw", "cw", "cw", "ccw", ""}, "n": {"5", "", "", "5.5", ""},
		"deviation": {"0,42 %", "", "0.1", "−0.3", ""}, "u": {"0.5", "", "0.5", "half", ""}, "permitted": {"4", "", "4", "4", ""}}
	post := func() (int, string) { t.Helper(); return r.post("/tools/k2-07/certificate", typed) }
	status, page := post()
	if status != http.StatusUnprocessableEntity {
		t.Fatalf("a wrong one: %d %s", status, page)
	}
	wants(t, "the form", page, "8 things are wrong; nothing was entered.", "The laboratory that issued it is missing.", "It is dated 2026-11-26, in the future: today is 2026-11-25.",
		`Due "2026-01-01": want a date as YYYY-MM-DD, not before its date.`, `Coverage factor "two": want a figure, such as 2.`, "is outside the tool's range of 10 N·m to 200 N·m",
		`N "5.5": want a whole number.`, `U "half": want a figure.`, `"120": `,
		`value="L-4471"`, `value="0,42 %"`, `value="half"`, `value="−0.3"`, `value="5.5"`, `value="two"`)
	if n := strings.Count(page, `aria-invalid="true"`); n != 8 {
		t.Errorf("%d fields are marked as wrong, want 8", n)
	}
	typed.Set("more", "1")
	status, page = post()
	if n := strings.Count(page, `name="deviation"`); status != http.StatusOK || n != fewestRows+moreRows {
		t.Errorf("more points: %d, %d rows", status, n)
	}
	wants(t, "the form with more points", page, `value="0,42 %"`, `value="half"`)
	typed.Del("more")
	if got := r.certificates("k2-07"); len(got) != 0 {
		t.Fatalf("a wrong certificate was entered: %+v", got)
	}

	for name, v := range map[string]string{"laboratory": "Invented", "date": "2026-11-20", "due": "", "k": "2"} {
		typed.Set(name, v)
	}
	for name, v := range map[string][]string{"point": {"20 N·m", "", "88.5 lbf·ft"}, "n": {"5", "", "5"}, "deviation": {"0,42 %", "", "−0.3"}, "u": {"0.5", "", "0.5"}, "permitted": {"4", "", "4"}} {
		typed[name] = v
	}
	typed.Set("by", "ines")
	if status, page = post(); status != http.StatusConflict || !strings.Contains(page, "only metrology or a lead may enter a certificate") && !strings.Contains(page, "Only metrology or a lead may enter a certificate") {
		t.Errorf("a technician enters one: %d %s", status, page)
	}
	typed.Set("by", "petra")
	if status, page = post(); status != http.StatusOK || !strings.Contains(page, "L-4471") {
		t.Errorf("a right one: %d %s", status, page)
	}
	got := r.certificates("k2-07")
	if len(got) != 1 || got[0].Laboratory != "Invented" || got[0].Standing != events.StandingGood || got[0].Due != "2027-11-20" || got[0].Phase != events.PhaseLeft || len(got[0].Results) != 2 ||
		got[0].Results[0].Deviation != 0.42 || got[0].Results[1].Deviation != -0.3 || got[0].Results[0].N != 5 {
		t.Errorf("the ledger has %+v", got)
	}
	if status, page = post(); status != http.StatusUnprocessableEntity || !strings.Contains(page, "was entered for this tool already: it would count twice") {
		t.Errorf("the same again: %d %s", status, page)
	}
	if got := r.certificates("k2-07"); len(got) != 1 {
		t.Errorf("the same certificate was entered twice: %+v", got)
	}
}

// TestCertificateInBrowser: Petra enters a certificate with its file on the
// tool's page. What is wrong is said beside its field, and neither what she typed
// nor the file that she chose is lost.
func TestCertificateInBrowser(t *testing.T) {
	r := certificateRig(t)
	content := "an invented certificate"
	file := filepath.Join(t.TempDir(), "L-4471.pdf")
	if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.server.URL+"/tools/k2-07"))
	b.see("the way to the form", `document.querySelector('a[href="/tools/k2-07/certificate"]')`)
	b.do(chromedp.Click(chromedp.CSS(`a[href="/tools/k2-07/certificate"]`)))
	b.see("the form", `document.readyState === "complete" && document.getElementById("certificate")`)
	b.pictures("certificate")
	b.do(chromedp.EmulateViewport(1280, 800))
	fill := func(field, text string) {
		t.Helper()
		b.do(chromedp.SendKeys(chromedp.CSS(field), text))
	}
	row := func(i int, field string) string { return fmt.Sprintf(`#points > :nth-child(%d) [name="%s"]`, i, field) }
	wrong := func(at, text string) {
		t.Helper()
		b.see("what is wrong: "+text, fmt.Sprintf(`(e => e && !e.hidden && e.getBoundingClientRect().height > 0 && e.textContent.includes(%q))(document.querySelector(%q))`, text, at))
	}
	fill("#f-certificate", "L-4471")
	fill("#f-date", "2026-11-26")
	fill(row(1, "point"), "20 Nm")
	fill(row(1, "deviation"), "0.42")
	fill(row(1, "u"), "0.5")
	fill(row(2, "point"), "400 N·m")
	fill(row(2, "deviation"), "x")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#f-file"), []string{file}))
	b.do(chromedp.Click(chromedp.CSS("#enter")))
	wrong("#certificate-wrong", "things are wrong; nothing was entered")
	wrong("#wrong-laboratory", "The laboratory that issued it is missing")
	wrong("#wrong-date", "in the future: today is 2026-11-25")
	wrong("#wrong-phase", "as found or as left")
	wrong("#wrong-by", "Choose who enters it")
	wrong(`#points > :nth-child(1) [data-wrong="permitted"]`, "Permitted is missing: want a figure")
	wrong(`#points > :nth-child(2) [data-wrong="deviation"]`, "want a figure")
	b.see("the first wrong field in focus", `document.activeElement.id === "f-laboratory"`)
	b.pictures("certificate-wrong")
	for _, size := range screens {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		if eval[bool](t, b.ctx, `document.documentElement.scrollWidth > innerWidth`) {
			t.Errorf("at %dx%d something sticks out sideways", size[0], size[1])
		}
	}
	b.do(chromedp.EmulateViewport(1280, 800))
	b.see("what was typed, and the file", `document.getElementById("f-certificate").value === "L-4471" && document.querySelector('#points [name="deviation"]').value === "0.42" && document.getElementById("f-file").files[0].name === "L-4471.pdf"`)

	b.do(chromedp.Click(chromedp.CSS("#more-points")))
	b.see("more rows, and nothing sent", fmt.Sprintf(`document.querySelectorAll("#points > *").length === %d && location.pathname.endsWith("/certificate")`, fewestRows+moreRows))
	fill("#f-laboratory", "Invented")
	b.do(chromedp.SetValue(chromedp.CSS("#f-date"), "2026-11-20"))
	b.do(chromedp.Click(chromedp.CSS(`#f-phase input[value="left"]`)), chromedp.Click(chromedp.CSS(`#f-by input[value="petra"]`)))
	fill(row(1, "permitted"), "4")
	b.do(chromedp.SetValue(chromedp.CSS(row(2, "deviation")), "-0.3"))
	fill(row(2, "u"), "0.5")
	fill(row(2, "permitted"), "4"+kb.Enter) // Enter enters; it does not add points
	wrong(`#points > :nth-child(2) [data-wrong="point"]`, "outside the tool's range of 10 N·m to 200 N·m")
	b.see("the others to be right now", `[...document.querySelectorAll(".wrong")].filter(e => !e.hidden).length === 1`)
	b.do(chromedp.SetValue(chromedp.CSS(row(2, "point")), "120 N·m"))
	b.do(chromedp.Click(chromedp.CSS("#enter")))
	b.see("the tool's page with the certificate", `location.pathname === "/tools/k2-07" && document.querySelector(".worths")?.textContent.includes("L-4471")`)
	b.pictures("certificate-entered")
	got := r.certificates("k2-07")
	hash := fmt.Sprintf("%x", sha256.Sum256([]byte(content)))
	if len(got) != 1 || got[0].File != "L-4471.pdf" || got[0].FileHash != hash || got[0].FileSize != int64(len(content)) || got[0].By != "petra" || len(got[0].Results) != 2 {
		t.Fatalf("the ledger has %+v", got)
	}
	resp, err := http.Get(r.server.URL + "/papers/" + hash)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if kept, err := io.ReadAll(resp.Body); err != nil || string(kept) != content || resp.StatusCode != http.StatusOK {
		t.Errorf("the file is given back as %q, %d %v", kept, resp.StatusCode, err)
	}
}
