package dashboards

import (
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/learn"
	"witnessmark/rules/procedure"
)

// taught is a state in which jobs taught the final pass of the cover: 120
// first pulls around 52°, and 20 on tight bolts around 3°. Invented.
func taught(t *testing.T) *rules.State {
	t.Helper()
	st := asked()
	text := strings.Replace(coverProcedure, "{name: final, target: 45 N·m, limits: ± 10 %}", "{name: final, target: 45 N·m, limits: ± 10 %, angle: {low: 20°, high: 60°}}", 1)
	proc, problems := procedure.Parse("cover", []byte(text))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	key := rules.ProcKey("RA-210", "T")
	st.Procedures[key], st.ProcTexts[key], st.Newest["RA-210"] = proc, text, "T"
	j := &learn.Joint{Jobs: 10}
	for i := range 120 {
		z := math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/120-1)
		j.Fresh.Add(52 * math.Exp(0.08*z))
		j.Duration.Add(2.1 + 0.2*z)
		j.Interval.Add(9 + z)
	}
	for i := range 20 {
		j.Repeat.Add(2 + 0.1*float64(i))
	}
	st.Learned = &learn.State{Joints: map[string]*learn.Joint{rules.LearnKey(proc, "cover", 1): j}, Jobs: 10}
	return st
}

func TestLearnedPage(t *testing.T) {
	_, base := askedPages(t, taught(t))
	resp, err := http.Get(base + "/procedures/RA-210/T/learned")
	if err != nil {
		t.Fatal(err)
	}
	status, body := read(t, resp)
	if status != http.StatusOK {
		t.Fatalf("status %d\n%s", status, body)
	}
	golden(t, "learned.html", still(body))
	resp, err = http.Get(base + "/procedures/RA-210/T/learned/cover/1")
	if err != nil {
		t.Fatal(err)
	}
	if _, svg := read(t, resp); !strings.Contains(svg, "<svg") || strings.Count(svg, "stroke:#0A4FAE") != 4 {
		t.Errorf("the plot has %d blue lines, want two for each window", strings.Count(svg, "stroke:#0A4FAE"))
	}
	for path, want := range map[string]int{"/learned/cover/0": http.StatusNotFound, "/learned/none/1": http.StatusNotFound, "/learned/cover/x": http.StatusNotFound, "/revise": http.StatusBadRequest} {
		resp, err := http.Get(base + "/procedures/RA-210/T" + path)
		if err != nil {
			t.Fatal(err)
		}
		if status, _ := read(t, resp); status != want {
			t.Errorf("%s: status %d, want %d", path, status, want)
		}
	}
}

func TestLearnedInBrowser(t *testing.T) {
	_, base := askedPages(t, taught(t))
	ctx := browse(t)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(base+"/procedures/RA-210/T/learned"))
	seen(t, ctx, "the plot", `document.querySelector(".learned img").naturalWidth > 300`)
	for _, size := range screens[:2] {
		picture(t, ctx, "learned", size[0], size[1])
		if wide := eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
			t.Errorf("%v: sticks out by %v pixels", size, wide)
		}
	}
	do(t, ctx, chromedp.SendKeys(chromedp.CSS(`input[name="new_revision"]`), "U"), chromedp.Click(chromedp.CSS(`.learned form button`)))
	seen(t, ctx, "the difference", `document.querySelector(".diff") && document.querySelector(".diff").textContent.includes("revision: U")`)
	picture(t, ctx, "revise", 1280, 800)
	do(t, ctx, chromedp.Navigate(base+"/bench/axle/ask/audit"))
	picture(t, ctx, "audit", 1280, 1000)
}

// A new revision goes all the way: shown, offered by a lead, released, read.
func TestRevisionIsReleased(t *testing.T) {
	r := newRig(t)
	r.open()
	q := url.Values{"step": {"cover"}, "pass": {"1"}, "low": {"41.2°"}, "high": {"66.0°"}, "new_revision": {"T2"}}
	status, body := r.get("/procedures/RA-210/T/revise?" + q.Encode())
	if status != http.StatusOK || !strings.Contains(body, "angle: {low: 41.2°, high: 66.0°}") {
		t.Fatalf("status %d\n%s", status, body)
	}
	m := regexp.MustCompile(`name="hash" value="([0-9a-f]{64})"`).FindStringSubmatch(body)
	if m == nil {
		t.Fatal("the page names no hash")
	}
	q.Set("procedure", "RA-210")
	q.Set("revision", "T")
	q.Set("back", "learned")
	q.Set("by", "maren")
	q.Set("hash", strings.Repeat("0", 64))
	if status, _ := r.post("/do/offer", q); status != http.StatusConflict {
		t.Errorf("another text than was shown: status %d, want %d", status, http.StatusConflict)
	}
	q.Set("hash", m[1])
	if status, body := r.post("/do/offer", q); status != http.StatusOK || !strings.Contains(body, "revision T2 (newest)") {
		t.Fatalf("status %d\n%s", status, body)
	}
	r.service.View(func(st *rules.State) {
		if p := st.Procedures[rules.ProcKey("RA-210", "T2")]; p == nil || degrees(p.Steps[0].Joint.Passes[1].AngleLo) != "41.2°" {
			t.Error("the new revision has not the new window")
		}
	})
	if status, body := r.get("/procedures/RA-210/T/revise?" + q.Encode()); status != http.StatusConflict || !strings.Contains(body, "released already") {
		t.Errorf("a name that is taken: status %d\n%s", status, body)
	}
	forget := url.Values{"procedure": {"RA-210"}, "revision": {"T2"}, "step": {"cover"}, "back": {"learned"}, "by": {"maren"}}
	if status, body := r.post("/do/forget", forget); status != http.StatusBadRequest || !strings.Contains(body, "Say why") {
		t.Errorf("without a reason: status %d\n%s", status, body)
	}
	forget.Set("reason", "The bolts come from another lot")
	if status, _ := r.post("/do/forget", forget); status != http.StatusOK {
		t.Errorf("forget: status %d", status)
	}
	forget.Set("by", "ines")
	if status, _ := r.post("/do/forget", forget); status != http.StatusConflict {
		t.Errorf("forgotten by a technician: status %d, want a refusal", status)
	}
}

func TestRevise(t *testing.T) {
	deg := func(v float64) quantity.Value { return quantity.Degrees(v).Value() }
	final := "      - {name: final, target: 45 N·m, limits: ± 10 %}\n"
	block := "      - name: final\n        target: 45 N·m # the maker's\n        limits: ± 10 %\n"
	for name, tc := range map[string]struct{ is, want string }{
		"no window":    {final, "      - {name: final, target: 45 N·m, angle: {low: 41.2°, high: 66.0°}, limits: ± 10 %}\n"},
		"block":        {block, "      - name: final\n        target: 45 N·m # the maker's\n        angle: {low: 41.2°, high: 66.0°}\n        limits: ± 10 %\n"},
		"a window":     {strings.Replace(final, "}", ", angle: {low: 20°, high: 60°}}", 1), strings.Replace(final, "}", ", angle: {low: 41.2°, high: 66.0°}}", 1)},
		"quoted":       {strings.Replace(final, "}", `, angle: {high: "60°", low: '20°'}}`, 1), strings.Replace(final, "}", `, angle: {high: 66.0°, low: 41.2°}}`, 1)},
		"block window": {block + "        angle:\n          low: 20°\n          high: 60°\n", block + "        angle:\n          low: 41.2°\n          high: 66.0°\n"},
	} {
		t.Run(name, func(t *testing.T) {
			old := strings.Replace(coverProcedure, final, tc.is, 1)
			got, changes, err := revise(old, angleChange{Step: "cover", Pass: 1, Low: deg(41.2), High: deg(66), Revision: "2.1"})
			if err != nil {
				t.Fatal(err)
			}
			want := strings.Replace(strings.Replace(coverProcedure, final, tc.want, 1), "revision: T", `revision: "2.1"`, 1)
			if got != want {
				t.Errorf("difference:\n%s", firstDifference(want, got))
			}
			if len(changes) < 2 || changes[0].Number != 3 || changes[0].New != `revision: "2.1"` {
				t.Errorf("changes are %+v", changes)
			}
		})
	}
	for name, c := range map[string]angleChange{
		"unknown step": {Step: "none", Pass: 1, Low: deg(1), High: deg(2), Revision: "U"},
		"unknown pass": {Step: "cover", Pass: 2, Low: deg(1), High: deg(2), Revision: "U"},
		"reversed":     {Step: "cover", Pass: 1, Low: deg(3), High: deg(2), Revision: "U"},
	} {
		if _, _, err := revise(coverProcedure, c); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, _, err := revise("a: [", angleChange{}); err == nil {
		t.Error("broken text: no error")
	}
}
