package main

import (
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/dashboards"
	"witnessmark/dashboards/outward"
	"witnessmark/events"
	"witnessmark/rules"
)

//go:embed alerts.example.yaml
var exampleAlerts []byte

func newShopAlerts() *cobra.Command {
	return &cobra.Command{
		Use:   "alerts [FILE]",
		Short: "Print an example of a file of alert routes, or check one",
		Long: `Alerts leave the house only as a file of routes says: to a webhook (signed), by
mail, to a lamp or horn on a serial relay. Name the file with the setting
'alerts'. Without FILE an example is printed; with it the file is checked, and
the secrets that it names are read, but nothing is sent.`,
		Example: "  witnessmark shop alerts > alerts.yaml\n  witnessmark shop alerts alerts.yaml\n  witnessmark serve --alerts alerts.yaml",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				_, err := c.OutOrStdout().Write(exampleAlerts)
				return err
			}
			r, err := outward.Load(args[0])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: good: %d ways out\n", args[0], len(r))
			return err
		},
	}
}

// carryOut sends alerts out of the house as the file of routes says, until ctx
// ends.
func (s *stack) carryOut(ctx context.Context) error {
	select {
	case <-s.service.Ready():
	case <-ctx.Done():
		return nil
	}
	if err := s.ledger.WaitFor(ctx, s.journal.Last()); err != nil {
		return ignoreCancel(err)
	}
	before, err := s.ledger.NoticesOfOpenAlerts(ctx)
	if err != nil {
		return fmt.Errorf("carry alerts out: %w", err)
	}
	var tried []events.NoticeTried
	for _, n := range before {
		tried = append(tried, n.NoticeTried)
	}
	o := outward.New(outward.Config{Routes: s.routes, Journal: s.journal, Shop: s.shop.ID, Name: s.shop.Name, Tried: tried, Open: s.openAlerts(), Log: s.log, Now: s.cfg.now})
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return o.Run(ctx) })
	g.Go(func() error {
		watch := dashboards.Watch(s.service.Subscribe)
		for ctx.Err() == nil {
			err := watch(ctx, 1024, func(us []dashboards.Update) { o.Raised(raised(us)...) })
			if !errors.Is(err, dashboards.ErrBehind) {
				return nil
			}
			select { // what was missed meanwhile is open still, or settled
			case <-time.After(time.Second):
				o.Raised(s.openAlerts()...)
			case <-ctx.Done():
			}
		}
		return nil
	})
	return g.Wait()
}

func raised(us []dashboards.Update) (out []events.AlertRaised) {
	for i := range us {
		for _, o := range us[i].Decided.Outcomes {
			if a, ok := o.Data.(events.AlertRaised); ok {
				out = append(out, a)
			}
		}
	}
	return out
}

// openAlerts returns the open alerts, oldest first.
func (s *stack) openAlerts() (out []events.AlertRaised) {
	s.service.View(func(st *rules.State) {
		for _, a := range st.Alerts {
			out = append(out, a.AlertRaised)
		}
	})
	slices.SortFunc(out, func(a, b events.AlertRaised) int {
		return cmp.Or(cmp.Compare(a.AtUs, b.AtUs), cmp.Compare(a.Alert, b.Alert))
	})
	return out
}
