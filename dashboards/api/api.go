// Package api is the small JSON interface through which the command line, and
// a shop's own programs, ask for things: the same requests that the pages
// make, with the same answers.
//
//	POST /api/asks/{type}     type without prefix and version: "job.asked"
//
// The body is the request's JSON (see package events), at_us left out. The
// answer is 200 with an Answer if the rules granted it, 409 with an Answer
// that holds the refusal if they did not, 4xx with a Problem if the request
// could not be read.
package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

// Submitter appends a request and waits for its decision.
type Submitter interface {
	Submit(ctx context.Context, d events.Data) (events.Entry, events.Decided, error)
}

// Answer says what became of a request.
type Answer struct {
	Seq      uint64                 `json:"seq"` // of the request in the journal
	Refused  *events.RequestRefused `json:"refused,omitempty"`
	Outcomes []events.Outcome       `json:"outcomes"`
}

// Problem says why a request could not be read or answered.
type Problem struct {
	Error string `json:"error"`
}

const (
	maxBody  = 1 << 20 // a procedure file is the largest thing asked with
	patience = 15 * time.Second
)

// Handler serves POST /api/asks/{type}. now gives the time that is written into the
// requests. shown is called before a request is answered and returns once what
// it brought can be read; it may be nil.
func Handler(s Submitter, now func() time.Time, shown func(context.Context)) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/asks/{type}", func(w http.ResponseWriter, r *http.Request) {
		status, body := answer(r, s, now)
		if shown != nil {
			shown(r.Context())
		}
		w.Header().Set("Content-Type", "application/json; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(status)
		_ = json.NewEncoder(w).Encode(body) // the client has gone if this fails
	})
	return mux
}

func answer(r *http.Request, s Submitter, now func() time.Time) (int, any) {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return http.StatusUnsupportedMediaType, Problem{"content type must be application/json"}
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxBody))
	if err != nil {
		return http.StatusRequestEntityTooLarge, Problem{fmt.Sprintf("body is larger than %d bytes", maxBody)}
	}
	d, err := decodeAsk(r.PathValue("type"), body, events.InstantOf(now()))
	if err != nil {
		return http.StatusBadRequest, Problem{err.Error()}
	}
	ctx, cancel := context.WithTimeout(r.Context(), patience)
	defer cancel()
	fact, decided, err := s.Submit(ctx, d)
	var refused *access.Refused
	if errors.As(err, &refused) {
		return refused.Status, Problem{refused.Error()}
	}
	if err != nil {
		return http.StatusServiceUnavailable, Problem{fmt.Sprintf("not recorded for certain: %v; look at the job before asking again", err)}
	}
	a := Answer{Seq: fact.Seq, Outcomes: decided.Outcomes}
	for _, o := range decided.Outcomes {
		if ref, ok := o.Data.(events.RequestRefused); ok {
			a.Refused = &ref
			return http.StatusConflict, a
		}
	}
	return http.StatusOK, a
}

// decodeAsk reads a request of the named type and stamps it with at.
func decodeAsk(name string, body []byte, at events.Instant) (events.Data, error) {
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(body, &fields); err != nil {
		return nil, fmt.Errorf("read request: %w", err)
	}
	if fields == nil {
		return nil, errors.New("read request: want a JSON object, not null")
	}
	stamp, err := json.Marshal(at)
	if err != nil {
		return nil, err
	}
	fields["at_us"] = stamp
	stamped, err := json.Marshal(fields)
	if err != nil {
		return nil, err
	}
	d, err := events.Decode(events.TypePrefix+name+".v1", stamped)
	if err != nil {
		if errors.Is(err, events.ErrNewer) {
			return nil, fmt.Errorf("unknown request %q", name)
		}
		return nil, err
	}
	if _, ok := d.(events.Asker); !ok {
		return nil, fmt.Errorf("%q is not a request", name)
	}
	if _, ok := d.(events.PhotoTaken); ok { // its file must be on disk first
		return nil, fmt.Errorf("%q is not asked here: post the photo itself to /photo", name)
	}
	return d, nil
}
