package ledger

import (
	"context"

	"witnessmark/events"
)

// Alert is an alert and what became of it.
type Alert struct {
	Seq uint64 // of the decision that raised it
	events.AlertRaised
	SeenBy      string // who acknowledged it first; "": nobody
	SeenAtUs    events.Instant
	SettledSeq  uint64 // of the decision that settled it; 0: open
	SettledBy   string // "": an event settled it
	SettledHow  string
	SettledAtUs events.Instant
}

// Open reports whether the alert is not settled.
func (a *Alert) Open() bool { return a.SettledSeq == 0 }

const alertColumns = `SELECT id, alert, kind, bench, job, step, pass, fasteners, items, tool, reading, likely, p, text, todo, blocks, at_us,
	seen_by, seen_at_us, settled_id, settled_by, settled_how, settled_at_us FROM alerts `

func scanAlert(r scanner, a *Alert) error {
	var id, settled int64
	var fasteners, items, likely string
	err := r.Scan(&id, &a.Alert, &a.Kind, &a.Bench, &a.Job, &a.Step, &a.Pass, &fasteners, &items, &a.Tool, &a.Reading, &likely, &a.P, &a.Text, &a.Todo, &a.Blocks, &a.AtUs,
		&a.SeenBy, &a.SeenAtUs, &settled, &a.SettledBy, &a.SettledHow, &a.SettledAtUs)
	if err != nil {
		return err
	}
	a.Seq, _ = place(id)
	a.SettledSeq, _ = place(settled)
	if a.Fasteners, err = lines(fasteners); err != nil {
		return err
	}
	if a.Items, err = lines(items); err != nil {
		return err
	}
	a.Likely, err = weights(likely)
	return err
}

// Alerts returns the newest alerts, newest first, at most max; 0: all.
func (q *Queries) Alerts(ctx context.Context, max int) ([]Alert, error) {
	return all(ctx, q, "alerts", alertColumns+"ORDER BY id DESC LIMIT ?", scanAlert, limit(max))
}

// AlertsOf returns the alerts of a job, oldest first.
func (q *Queries) AlertsOf(ctx context.Context, job string) ([]Alert, error) {
	return all(ctx, q, "alerts of job "+job, alertColumns+"WHERE job = ? ORDER BY id", scanAlert, job)
}

// OpenAlerts returns the alerts that are not settled, oldest first.
func (q *Queries) OpenAlerts(ctx context.Context) ([]Alert, error) {
	return all(ctx, q, "open alerts", alertColumns+"WHERE settled_id = 0 ORDER BY id", scanAlert)
}

// Notice is a try to carry an alert out of the house.
type Notice struct {
	Seq uint64
	events.NoticeTried
}

// NoticesOfOpenAlerts returns what was tried for the alerts that are open,
// oldest first.
func (q *Queries) NoticesOfOpenAlerts(ctx context.Context) ([]Notice, error) {
	return all(ctx, q, "notices", `SELECT seq, alert, route, way, result, try, detail, at_us FROM notices
		WHERE alert IN (SELECT alert FROM alerts WHERE settled_id = 0) ORDER BY seq`,
		func(r scanner, n *Notice) error {
			return r.Scan(&n.Seq, &n.Alert, &n.Route, &n.Way, &n.Result, &n.Try, &n.Detail, &n.AtUs)
		})
}
