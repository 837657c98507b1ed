package dashboards

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"witnessmark/events"
)

// typing opens a job whose rear cover is done, so that its end play is due.
func typing(t *testing.T) *rig {
	t.Helper()
	r := newRig(t)
	r.open()
	for _, v := range [][]string{{"25.0", "25.2"}, {"45.0", "44.8"}} {
		for i := range 6 {
			r.pull(v[i%2])
		}
	}
	r.sign("ines")
	return r
}

func typedForm(kv ...string) url.Values {
	f := url.Values{"bench": {"axle"}, "job": {"J-1"}, "step": {"end-play"}, "tool": {"d3-01"}, "value": {"0.150 mm"}}
	for i := 0; i < len(kv); i += 2 {
		f.Set(kv[i], kv[i+1])
	}
	return f
}

func TestTypedValueOfAMeasureStep(t *testing.T) {
	r := typing(t)
	_, page := r.get("/bench/axle")
	if !strings.Contains(page, "/bench/axle/ask/typed") {
		t.Error("the bench page of a measure step offers no typing")
	}
	status, form := r.get("/bench/axle/ask/typed")
	for _, w := range []string{"Type a value: end play", "Limits 0.050 to 0.200 mm", `value="d3-01"`, "calibration due 2027-05-20", `value="tomas"`, "Who read it"} {
		if !strings.Contains(form, w) {
			t.Errorf("no %q in the form (%d)", w, status)
		}
	}
	if strings.Contains(form, `value="k2-07"`) {
		t.Error("the form offers a torque wrench for a length")
	}
	if status, body := r.post("/do/typed", typedForm("value", "0,150 mm", "by", "tomas")); status != http.StatusOK {
		t.Fatalf("typed value: %d\n%s", status, body)
	}
	step := r.job().Steps[1]
	if !step.Done || step.Value == nil || step.Value.Verdict != events.Within || step.Value.Judged.Text != "0.150" ||
		!step.Value.Judged.Typed || step.Value.Judged.By != "tomas" {
		t.Fatalf("measure step after a typed value: %+v, value %+v", step, step.Value)
	}
	r.settled()
	for path, want := range map[string]string{
		"/bench/axle":    "typed by Tomas Reed, Pinn D3 no. 1",
		"/jobs/J-1":      "typed by hand",
		"/jobs/J-1.json": `"mode": "typed"`,
	} {
		if _, body := r.get(path); !strings.Contains(body, want) {
			t.Errorf("%s does not say %q", path, want)
		}
	}
	r.alertsNone()
}

// alertsNone fails if an alert is open: a clean job raises none.
func (r *rig) alertsNone() {
	r.t.Helper()
	if _, body := r.get("/alerts"); !strings.Contains(body, "Nothing is open.") {
		r.t.Error("an alert is open")
	}
}

func TestTypedValueInAnotherUnit(t *testing.T) {
	r := typing(t)
	r.post("/do/typed", typedForm("value", "6 thou"))
	_, page := r.get("/bench/axle")
	for _, w := range []string{">0.152<", "Typed as 6 thou", "typed by Ines Varga"} {
		if !strings.Contains(page, w) {
			t.Errorf("the bench page has no %q", w)
		}
	}
}

func TestTypedValueRefused(t *testing.T) {
	r := typing(t)
	for _, c := range []struct {
		form   url.Values
		status int
		words  string
	}{
		{typedForm("value", "0.15"), http.StatusBadRequest, "has no unit"},
		{typedForm("value", "1,234 mm"), http.StatusBadRequest, "thousands or decimals"},
		{typedForm("value", "1/8 in"), http.StatusBadRequest, "fractions are not read"},
		{typedForm("value", "mm"), http.StatusBadRequest, "does not begin with a number"},
		{typedForm("value", ""), http.StatusBadRequest, "Write the value with its unit."},
		{typedForm("value", "0.15 N·m"), http.StatusBadRequest, "this step measures end play"},
		{typedForm("tool", ""), http.StatusBadRequest, "Choose the tool"},
		{typedForm("tool", "nix"), http.StatusBadRequest, "names no tool nix"},
		{typedForm("by", "nobody"), http.StatusBadRequest, "may type a value"},
		{typedForm("step", "cover"), http.StatusConflict, "is not being worked on now"},
		{typedForm("job", "J-9"), http.StatusConflict, "not being worked on at this bench"},
	} {
		status, body := r.post("/do/typed", c.form)
		if status != c.status || !strings.Contains(body, c.words) {
			t.Errorf("%v: %d, want %d with %q", c.form, status, c.status, c.words)
		}
	}
	if r.job().Steps[1].Value != nil {
		t.Error("a refused value counts")
	}
	r.alertsNone()
}

func TestTypedValueHasItsStep(t *testing.T) {
	r := newRig(t)
	r.open()
	if status, body := r.get("/bench/axle/ask/typed"); status != http.StatusConflict || !strings.Contains(body, "measures nothing") {
		t.Errorf("typing at a torque step: %d", status)
	}
	if _, body := r.get("/bench/axle"); strings.Contains(body, "/ask/typed") {
		t.Error("the bench page of a torque step offers typing")
	}
}
