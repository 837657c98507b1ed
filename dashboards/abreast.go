package dashboards

import (
	"context"
	"errors"
	"net/http"
)

// abreast is for a page that asks the ledger: the ledger gathers events for a
// moment before it writes them, so the page first waits until everything is
// there that was on disk when it was asked for. A ledger that does not come so
// far in time is shown as it is; trouble says why.
func (p *Pages) abreast(h func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		p.catchUp(r.Context())
		return h(w, r)
	}
}

// catchUp waits until the ledger has all that is on disk now.
func (p *Pages) catchUp(ctx context.Context) {
	if p.cfg.Journal != nil && p.cfg.Ledger.Trouble() == nil {
		p.awaitLedger(ctx, p.cfg.Journal.Last())
	}
}

// awaitLedger waits until the ledger has everything up to seq, but not for
// longer than ledgerWait.
func (p *Pages) awaitLedger(ctx context.Context, seq uint64) {
	ctx, cancel := context.WithTimeout(ctx, ledgerWait)
	defer cancel()
	err := p.cfg.Ledger.WaitFor(ctx, seq)
	if err != nil && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, context.Canceled) {
		p.log.Warn("wait for ledger", "seq", seq, "err", err)
	}
}
