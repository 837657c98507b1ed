package recalls

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// A Worth is what a tool was found to be worth at one time.
type Worth struct {
	What     string // "calibration", "check", "certificate"
	ID       string
	Phase    events.Phase // of a check: as found
	Standing events.Standing
	AtUs     events.Instant
	Cycles   int64
	By       string
	Where    string // the reference, or the laboratory
	Results  []events.CalibrationResult
	File     string // of a certificate: its name, size and hash, in words
	FileHash string // SHA-256 of that file, hexadecimal
}

// HistoryOf gives what a tool was worth, oldest first, and when it was adjusted.
func HistoryOf(ctx context.Context, q *ledger.Queries, tool string) ([]Worth, []ledger.Adjusted, error) {
	var out []Worth
	cals, err := q.CalibrationsOf(ctx, tool)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range cals {
		out = append(out, Worth{"calibration", c.Calibration, c.Phase, c.Standing, c.AtUs, c.Cycles, c.By, c.Reference, c.Results, "", ""})
	}
	certs, err := q.CertificatesOf(ctx, tool)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range certs {
		at := c.AtUs
		if day, err := time.Parse(time.DateOnly, c.Date); err == nil {
			at = events.InstantOf(day)
		}
		out = append(out, Worth{"certificate", c.Certificate, c.Phase, c.Standing, at, c.Cycles, c.By, c.Laboratory, c.Results, fileWords(&c.CertificateEntered), c.FileHash})
	}
	checks, err := q.ChecksOf(ctx, tool)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range checks {
		r := events.CalibrationResult{Point: c.Point, N: len(c.Deviations), Unit: "%", Deviation: c.Deviation, U: c.U, Permitted: c.Permitted, Standing: c.Standing}
		out = append(out, Worth{"check", c.Check, events.PhaseFound, c.Standing, c.AtUs, c.Cycles, c.By, c.Reference, []events.CalibrationResult{r}, "", ""})
	}
	slices.SortStableFunc(out, func(a, b Worth) int { return cmp.Compare(a.AtUs, b.AtUs) })
	adjusted, err := q.AdjustmentsOf(ctx, tool)
	return out, adjusted, err
}

// fileWords names the file of a certificate; "" if there is none.
func fileWords(c *events.CertificateEntered) string {
	if c.File == "" {
		return ""
	}
	return fmt.Sprintf("%s, %d bytes, SHA-256 %s", c.File, c.FileSize, c.FileHash)
}

// standing makes an end of a recall's span. A deviation in length is taken as a
// share of its point; of two directions the greater deviation counts, since a
// pull does not tell its own.
func (w *Worth) standing() events.RecallStanding {
	s := events.RecallStanding{What: w.What, ID: w.ID, AtUs: w.AtUs, Cycles: w.Cycles}
	for _, r := range w.Results {
		dev, u := r.Deviation, r.U
		if r.Unit != "%" {
			unit, ok := quantity.UnitByCode(r.Unit)
			if !ok || r.Point.Base() == 0 {
				continue
			}
			share := 100 / r.Point.In(unit)
			dev, u = float64(dev*share), math.Abs(float64(u*share))
		}
		k := slices.IndexFunc(s.Levels, func(l events.RecallLevel) bool {
			return math.Abs(l.At.Base()-r.Point.Base()) <= float64(1e-6*math.Abs(r.Point.Base()))
		})
		switch {
		case k < 0:
			s.Levels = append(s.Levels, events.RecallLevel{At: r.Point, Deviation: dev, U: u})
		case math.Abs(dev) > math.Abs(s.Levels[k].Deviation):
			s.Levels[k].Deviation, s.Levels[k].U = dev, u
		}
	}
	slices.SortFunc(s.Levels, func(a, b events.RecallLevel) int { return cmp.Compare(a.At.Base(), b.At.Base()) })
	if len(s.Levels) == 1 { // found at one point: it holds at all
		s.Levels[0].At = quantity.Value{}
	}
	return s
}

// SpanFor finds the time in doubt of a tool: from when it was last known good
// to when it was found bad. bad names the calibration, check or certificate that
// found it so; "" is the newest.
func SpanFor(ctx context.Context, q *ledger.Queries, tool, bad string) (from, to events.RecallStanding, err error) {
	history, _, err := HistoryOf(ctx, q, tool)
	if err != nil {
		return from, to, err
	}
	at := -1
	for i, w := range history {
		if w.Standing == events.StandingBad && w.Phase != events.PhaseLeft && (bad == "" || w.ID == bad) {
			at = i
		}
	}
	switch {
	case at < 0 && bad != "":
		return from, to, fmt.Errorf("%w: tool %s has no calibration, check or certificate %q that found it out of tolerance", ErrInquiry, tool, bad)
	case at < 0:
		return from, to, fmt.Errorf("%w: no calibration, check or certificate found tool %s out of tolerance; say by how much it deviates", ErrInquiry, tool)
	}
	if to = history[at].standing(); len(to.Levels) == 0 {
		return from, to, fmt.Errorf("%w: %s %s tells no deviation; say by how much the tool deviates", ErrInquiry, to.What, to.ID)
	}
	from, err = LastGood(ctx, q, tool, to.AtUs)
	return from, to, err
}

// LastGood is when a tool was last known good before a time: by its newest
// calibration, check or certificate that says so, else by its date in the shop
// file, with the uncertainty given there.
func LastGood(ctx context.Context, q *ledger.Queries, tool string, before events.Instant) (events.RecallStanding, error) {
	history, _, err := HistoryOf(ctx, q, tool)
	if err != nil {
		return events.RecallStanding{}, err
	}
	for _, w := range slices.Backward(history) {
		if w.AtUs >= before || w.Standing != events.StandingGood {
			continue
		}
		if s := w.standing(); len(s.Levels) > 0 {
			return s, nil
		}
	}
	shop, err := q.ShopNow(ctx)
	if err != nil {
		return events.RecallStanding{}, err
	}
	for _, t := range shop.Shop.Tools {
		day, err := time.Parse(time.DateOnly, t.Calibrated)
		if t.ID == tool && err == nil && events.InstantOf(day) < before {
			return events.RecallStanding{What: "shop file", ID: t.Calibrated, AtUs: events.InstantOf(day), Levels: []events.RecallLevel{{U: 100 * t.URel}}}, nil
		}
	}
	return events.RecallStanding{}, fmt.Errorf("%w: nothing says when tool %s was last known good; name the date", ErrInquiry, tool)
}
