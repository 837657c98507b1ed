package dashboards

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// sign says on this browser who works here.
func (r *rig) sign(person string) {
	r.t.Helper()
	if status, body := r.post("/who", url.Values{"person": {person}, "bench": {"axle"}}); status != http.StatusOK {
		r.t.Fatalf("who: %d\n%s", status, body)
	}
}

func (r *rig) alert(kind events.AlertKind) (a *rules.Alert) {
	r.t.Helper()
	r.service.View(func(st *rules.State) {
		for _, x := range st.Alerts {
			if x.Kind == kind {
				a = x
			}
		}
	})
	if a == nil {
		r.t.Fatalf("no open alert %s", kind)
	}
	return a
}

func (r *rig) job() (j rules.Job) {
	r.t.Helper()
	r.service.View(func(st *rules.State) {
		if p := st.Jobs["J-1"]; p != nil {
			j = *p
		}
	})
	return j
}

func TestRequestsFromThePages(t *testing.T) {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: testShop(), Hash: "test"})
	r.release(coverProcedure)
	ok := func(path string, form url.Values) string {
		t.Helper()
		status, body := r.post(path, form)
		if status != http.StatusOK {
			t.Fatalf("%s: %d\n%s", path, status, body)
		}
		return body
	}
	refused := func(path string, form url.Values, status int, words ...string) {
		t.Helper()
		got, body := r.post(path, form)
		for _, w := range words {
			if !strings.Contains(body, w) {
				t.Errorf("%s: no %q in\n%s", path, w, body)
			}
		}
		if got != status {
			t.Errorf("%s: status %d, want %d", path, got, status)
		}
	}

	open := url.Values{"bench": {"axle"}, "procedure": {"RA-210/T"}, "unit_serial": {"RA-0042"}, "back": {"jobs"}}
	refused("/do/open", open, http.StatusConflict, "Nobody is named", "Choose who you are")
	r.sign("ines")
	if body := ok("/do/open", open); !strings.Contains(body, "RA-210-RA-0042") {
		t.Errorf("the list of jobs does not show the new one:\n%s", body)
	}
	ok("/do/abandon", url.Values{"bench": {"axle"}, "job": {"RA-210-RA-0042"}, "by": {"maren"}, "reason": {"Opened by mistake"}})
	open.Set("job", "J-1")
	ok("/do/open", open)

	at := url.Values{"bench": {"axle"}, "job": {"J-1"}}
	with := func(kv ...string) url.Values {
		f := url.Values{}
		for k, v := range at {
			f[k] = v
		}
		for i := 0; i < len(kv); i += 2 {
			f.Set(kv[i], kv[i+1])
		}
		return f
	}
	ok("/do/point", with("step", "cover", "fastener", "3"))
	r.pull("25.0")
	if g := r.job().Steps[0].Fasteners[2].Marks[0].Grade; g != events.Placed {
		t.Errorf("grade %q of a pointed fastener, want placed", g)
	}
	refused("/do/void", with("reading", "1"), http.StatusBadRequest, "Say why")
	last := r.job().Steps[0].Fasteners[2].Marks[0].Reading
	ok("/do/void", with("reading", num(float64(last)), "reason", "A trial pull"))
	if m := r.job().Steps[0].Fasteners[2].Marks[0]; m.Reading != 0 {
		t.Errorf("the voided reading still counts: %+v", m)
	}
	r.pull("33.3")
	high := r.alert(events.AlertHigh)
	ok("/do/ack", with("alert", high.Alert))
	if a := r.alert(events.AlertHigh); a.AckBy != "ines" {
		t.Errorf("acknowledged by %q", a.AckBy)
	}
	decide := with("place", "cover/"+high.Fasteners[0], "choice", events.ChoiceRedo, "reason", "Fastener slackened and to be renewed")
	refused("/do/decide", decide, http.StatusConflict, "What to do")
	decide.Set("by", "maren")
	ok("/do/decide", decide)
	ok("/do/pause", with("note", "lunch"))
	if s := r.job().Status; s != rules.JobPaused {
		t.Errorf("status %q", s)
	}
	ok("/do/resume", with())
	ok("/do/handover", with("to_person", "tomas", "to_bench", "gearbox", "note", "see the cover"))
	if j := r.job(); j.Technician != "tomas" || j.Bench != "gearbox" {
		t.Errorf("after the hand-over: %s at %s", j.Technician, j.Bench)
	}
	refused("/do/release", with(), http.StatusConflict, "Only a lead", "Call a lead")
	refused("/do/release", with("by", "maren"), http.StatusConflict, "not done", "What to do", "End play")
	refused("/do/confirm", with("step", "final-check"), http.StatusConflict, "What to do")
	refused("/do/dance", with(), http.StatusNotFound, "no such request")

	r.read("k2-07", "7.0", quantity.NewtonMetre) // at the axle bench, which has no job now
	u := uint64(0)
	r.service.View(func(st *rules.State) {
		for id := range st.Unplaced {
			u = id
		}
	})
	if u == 0 {
		t.Fatal("no unplaced reading")
	}
	if _, body := r.get("/bench/axle"); !strings.Contains(body, "Set it aside") {
		t.Error("the bench does not offer to set the reading aside")
	}
	ok("/do/dismiss", url.Values{"bench": {"axle"}, "reading": {num(float64(u))}, "reason": {"A trial pull"}, "words": {"at the vice"}})
}

func TestRequestsAsJSON(t *testing.T) {
	r := newRig(t)
	r.open()
	r.sign("ines")
	post := func(path string, form url.Values) (int, map[string]any) {
		req, err := http.NewRequest(http.MethodPost, r.server.URL+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Accept", "application/json")
		resp, err := r.client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		status, body := read(t, resp)
		var m map[string]any
		if err := json.Unmarshal([]byte(body), &m); err != nil {
			t.Fatalf("%v in %s", err, body)
		}
		return status, m
	}
	if status, m := post("/do/release", url.Values{"by": {"maren"}, "bench": {"axle"}, "job": {"J-1"}}); status != http.StatusConflict || m["code"] == "" || m["error"] == "" || m["todo"] == "" || len(m["items"].([]any)) == 0 {
		t.Errorf("%d %v", status, m)
	}
	if status, m := post("/do/pause", url.Values{"bench": {"axle"}, "job": {"J-1"}}); status != http.StatusOK || m["ok"] != true {
		t.Errorf("%d %v", status, m)
	}
	if status, m := post("/do/pause", url.Values{"bench": {"axle"}, "note": {strings.Repeat("x", maxForm)}}); status != http.StatusRequestEntityTooLarge {
		t.Errorf("%d %v", status, m)
	}
	if status, m := post("/do/pause", url.Values{"bench": {"axle"}, "job": {"J-\xff"}}); status != http.StatusBadRequest || m["error"] != "The form holds characters that are no text." {
		t.Errorf("a job that is no text: %d %v", status, m)
	}
	resp, err := r.client.Post(r.server.URL+"/do/pause", "application/json", strings.NewReader(`{"job": "J-1"}`))
	if err != nil {
		t.Fatal(err)
	}
	if status, body := read(t, resp); status != http.StatusUnsupportedMediaType || !strings.Contains(body, "no form of these pages") {
		t.Errorf("JSON in place of a form: %d\n%s", status, body)
	}
	status, body := r.get("/jobs/J-1.json")
	var rec struct{ Job, Status string }
	if err := json.Unmarshal([]byte(body), &rec); err != nil || status != http.StatusOK || rec.Job != "J-1" || rec.Status != "paused" {
		t.Errorf("record: %d %v %+v", status, err, rec)
	}
}

func TestForeignRequestsAreRefused(t *testing.T) {
	r := newRig(t)
	r.open()
	for name, c := range map[string]struct {
		header map[string]string
		host   string
		method string
		want   int
	}{
		"another site":       {map[string]string{"Sec-Fetch-Site": "cross-site"}, "", "POST", 403},
		"another origin":     {map[string]string{"Origin": "http://elsewhere.example"}, "", "POST", 403},
		"same site":          {map[string]string{"Sec-Fetch-Site": "same-site"}, "", "POST", 403},
		"a name for us":      {nil, "rebound.example", "GET", 403},
		"our own page":       {map[string]string{"Sec-Fetch-Site": "same-origin"}, "", "POST", 200},
		"no browser":         {nil, "", "POST", 200},
		"to do by a link":    {nil, "", "GET", 404},
		"localhost by name":  {nil, "localhost:8470", "POST", 200},
		"the other loopback": {nil, "[::1]:8470", "POST", 200},
	} {
		t.Run(name, func(t *testing.T) {
			req, err := http.NewRequest(c.method, r.server.URL+"/do/pause", strings.NewReader(url.Values{"by": {"ines"}, "bench": {"axle"}, "job": {"J-1"}}.Encode()))
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			for k, v := range c.header {
				req.Header.Set(k, v)
			}
			if c.host != "" {
				req.Host = c.host
			}
			client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
			resp, err := client.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			status, body := read(t, resp)
			done := r.job().Status == rules.JobPaused
			if c.want == 200 {
				if status != http.StatusSeeOther || !done {
					t.Errorf("status %d, done %v", status, done)
				}
				r.ask(events.JobResumeAsked{Ask: r.by("ines"), Job: "J-1"})
				return
			}
			if status != c.want || done {
				t.Errorf("status %d, want %d; done %v\n%s", status, c.want, done, body)
			}
			if c.want == 403 && !strings.Contains(body, "Nothing was done") {
				t.Errorf("the page does not say so:\n%s", body)
			}
		})
	}
}

// Nothing on any page comes from elsewhere, and no script or style is in it.
func TestContentPolicy(t *testing.T) {
	r := newRig(t)
	r.open()
	r.pull("25.0")
	r.settled()
	for _, path := range []string{"/", "/bench/axle", "/jobs", "/jobs/J-1", "/alerts", "/devices", "/procedures", "/procedures/RA-210/T", "/legend", "/bench/axle/ask/pause"} {
		resp, err := r.client.Get(r.server.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		if csp := resp.Header.Get("Content-Security-Policy"); csp != contentPolicy || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		_, body := read(t, resp)
		for _, bad := range []string{"<style", " style=", " onclick=", "http://", "https://", "javascript:"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s: contains %q", path, bad)
			}
		}
	}
}
