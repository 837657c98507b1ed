package api

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

type fakeRules struct {
	got     events.Data
	decided events.Decided
	err     error
}

func (f *fakeRules) Submit(_ context.Context, d events.Data) (events.Entry, events.Decided, error) {
	f.got = d
	return events.Entry{Seq: 7}, f.decided, f.err
}

func at() time.Time { return time.UnixMicro(1_700_000_000_000_000) }

func TestAskIsStampedAndAnswered(t *testing.T) {
	rules := &fakeRules{decided: events.Decided{Outcomes: []events.Outcome{{Data: events.JobReleased{Job: "j1", By: "maren"}}}}}
	srv := httptest.NewServer(Handler(rules, at, nil))
	defer srv.Close()
	a, err := Client{Server: srv.URL}.Ask(t.Context(), events.ReleaseAsked{Ask: events.Ask{By: "maren", AtUs: 5}, Job: "j1"})
	if err != nil {
		t.Fatal(err)
	}
	want := events.ReleaseAsked{Ask: events.Ask{By: "maren", AtUs: 1_700_000_000_000_000}, Job: "j1"}
	if d := cmp.Diff(events.Data(want), rules.got); d != "" {
		t.Errorf("submitted (-want +got):\n%s", d)
	}
	if a.Seq != 7 || a.Refused != nil || len(a.Outcomes) != 1 {
		t.Errorf("answer is %+v", a)
	}
}

// What people ask about evidence comes this way too.
func TestAsksAboutEvidence(t *testing.T) {
	by := events.Ask{By: "maren", Bench: "axle"}
	for _, ask := range []events.Asker{
		events.QuestionAnswered{Ask: by, Job: "j1", Question: "Q7", Choice: "again"},
		events.LearningForgetAsked{Ask: by, Procedure: "RA-210", Step: "cover", Reason: "another lot"},
		events.ClosingTurnReported{Ask: by, Job: "j1", Step: "cover", Fastener: "7"},
		events.ResidualAuditAsked{Ask: by, Job: "j1", Step: "cover", Fastener: "7", Method: events.ResidualTighten},
	} {
		rules := &fakeRules{}
		srv := httptest.NewServer(Handler(rules, at, nil))
		_, err := Client{Server: srv.URL}.Ask(t.Context(), ask)
		srv.Close()
		if err != nil {
			t.Fatalf("%T: %v", ask, err)
		}
		got, ok := rules.got.(events.Asker)
		if !ok || got.Asked().AtUs != 1_700_000_000_000_000 || got.Asked().By != "maren" {
			t.Errorf("%T: submitted %+v", ask, rules.got)
		}
	}
}

func TestAnswerComesOnceItCanBeRead(t *testing.T) {
	order := []string{}
	rules := &fakeRules{}
	srv := httptest.NewServer(Handler(rules, at, func(context.Context) { order = append(order, "shown") }))
	defer srv.Close()
	if _, err := (Client{Server: srv.URL}).Ask(t.Context(), events.ReleaseAsked{Job: "j1"}); err != nil {
		t.Fatal(err)
	}
	order = append(order, "answered")
	if d := cmp.Diff([]string{"shown", "answered"}, order); d != "" {
		t.Errorf("order (-want +got):\n%s", d)
	}
}

func TestRefusalIsAnAnswer(t *testing.T) {
	ref := events.RequestRefused{Request: "release.asked", Job: "j1", Code: "open_work", Text: "3 fasteners are open", Todo: "pull them", Items: []string{"cover: 4"}}
	rules := &fakeRules{decided: events.Decided{Outcomes: []events.Outcome{{Data: ref}}}}
	srv := httptest.NewServer(Handler(rules, at, nil))
	defer srv.Close()
	a, err := Client{Server: srv.URL}.Ask(t.Context(), events.ReleaseAsked{Job: "j1"})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(&ref, a.Refused); d != "" {
		t.Errorf("refusal (-want +got):\n%s", d)
	}
}

func TestWrongRequests(t *testing.T) {
	for name, tc := range map[string]struct {
		path, ctype, body string
		err               error
		status            int
		says              string
	}{
		"form post":    {"/api/asks/release.asked", "application/x-www-form-urlencoded", "job=j1", nil, http.StatusUnsupportedMediaType, "application/json"},
		"no JSON":      {"/api/asks/release.asked", "application/json", "{", nil, http.StatusBadRequest, "read request"},
		"null":         {"/api/asks/release.asked", "application/json", "null", nil, http.StatusBadRequest, "not null"},
		"wrong member": {"/api/asks/release.asked", "application/json", `{"job":3}`, nil, http.StatusBadRequest, "job"},
		"unknown":      {"/api/asks/sing.asked", "application/json", "{}", nil, http.StatusBadRequest, "unknown request"},
		"no request":   {"/api/asks/time.reached", "application/json", "{}", nil, http.StatusBadRequest, "not a request"},
		"a decision":   {"/api/asks/rules.decided", "application/json", "{}", nil, http.StatusBadRequest, "not a request"},
		"too large":    {"/api/asks/release.asked", "application/json", `{"job":"` + strings.Repeat("x", maxBody) + `"}`, nil, http.StatusRequestEntityTooLarge, "larger"},
		"journal away": {"/api/asks/release.asked", "application/json", `{"job":"j1"}`, errors.New("disk full"), http.StatusServiceUnavailable, "disk full"},
	} {
		t.Run(name, func(t *testing.T) {
			req := httptest.NewRequest(http.MethodPost, tc.path, strings.NewReader(tc.body))
			req.Header.Set("Content-Type", tc.ctype)
			rec := httptest.NewRecorder()
			Handler(&fakeRules{err: tc.err}, at, nil).ServeHTTP(rec, req)
			if rec.Code != tc.status || !strings.Contains(rec.Body.String(), tc.says) {
				t.Errorf("got %d %s, want %d with %q", rec.Code, rec.Body, tc.status, tc.says)
			}
		})
	}
}

func TestNoServiceSaysWhatToDo(t *testing.T) {
	srv := httptest.NewServer(http.NotFoundHandler())
	url := srv.URL
	srv.Close()
	_, err := Client{Server: url}.Ask(t.Context(), events.ReleaseAsked{Job: "j1"})
	if err == nil || !strings.Contains(err.Error(), "witnessmark serve") {
		t.Errorf("got %v, want advice to start the service", err)
	}
}
