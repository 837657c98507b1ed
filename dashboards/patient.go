package dashboards

import (
	"bytes"
	"context"
	"maps"
	"net/http"
	"time"
)

// pageWait is how long a page that asks the ledger may take. A disk that does
// not answer holds whoever reads from it, and no deadline reaches him there;
// so the page is made aside and given up.
const pageWait = ledgerWait + 3*time.Second

// patient gives a page up after pageWait and says so. What was begun ends when
// the disk answers again; no more queries than the ledger has readers hang, the
// others end with their context.
func (p *Pages) patient(h func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		ctx, cancel := context.WithTimeout(r.Context(), pageWait)
		defer cancel()
		a := &aside{header: w.Header().Clone(), code: http.StatusOK}
		made := make(chan error, 1)
		go func() { made <- h(a, r.WithContext(ctx)) }()
		select {
		case err := <-made:
			if err != nil && ctx.Err() != nil && r.Context().Err() == nil {
				return noAnswer()
			}
			maps.Copy(w.Header(), a.header) // of an error too: when to try again
			if err != nil {
				return err
			}
			w.WriteHeader(a.code)
			_, _ = w.Write(a.body.Bytes()) // who left does not read it
			return nil
		case <-ctx.Done():
			if r.Context().Err() != nil {
				return r.Context().Err()
			}
			return noAnswer()
		}
	}
}

func noAnswer() error {
	return problem(http.StatusServiceUnavailable, "The disk with the ledger does not answer: lists and records cannot be shown now.",
		"The bench pages still say whether readings are recorded. Look at the disk, its cable and the system's log, then try again.")
}

// aside holds an answer until it is whole.
type aside struct {
	header http.Header
	code   int
	body   bytes.Buffer
}

func (a *aside) Header() http.Header         { return a.header }
func (a *aside) WriteHeader(code int)        { a.code = code }
func (a *aside) Write(b []byte) (int, error) { return a.body.Write(b) }
