package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/simulator"
)

// FitShims implements simulator.ShimDesk: the technician takes the proposed
// pieces out of the drawer, and each is as thick as is known of it.
func (d desk) FitShims(ctx context.Context, j simulator.Job, step string) (quantity.Length, error) {
	var proposed *events.ShimProposed
	d.service.View(func(s *rules.State) {
		job := s.Jobs[j.ID]
		if job == nil {
			return
		}
		if _, i := job.Proc.Step(step); i >= 0 && job.Steps[i].Shim != nil {
			proposed = job.Steps[i].Shim.Proposed
		}
	})
	if proposed == nil {
		return quantity.Length{}, fmt.Errorf("%w: step %s proposes no shims", simulator.ErrRefused, step)
	}
	if !proposed.Fits {
		return quantity.Length{}, fmt.Errorf("%w: %s", simulator.ErrRefused, proposed.Text)
	}
	thick := 0.0
	for _, p := range proposed.Left {
		mm := p.Thickness
		if !p.Real.IsZero() {
			mm = p.Real
		}
		thick += float64(p.Count) * mm.Base()
	}
	return quantity.Millimetres(thick), d.ask(ctx, events.ShimFitAsked{Ask: by(j.Technician, j), Job: j.ID, Step: step, Left: proposed.Left})
}

// restock fills the drawers up to what the shop file says lies in them, as
// somebody in the shop does every now and then.
func (d desk) restock(ctx context.Context, shop events.Shop) error {
	for _, drawer := range shop.Shims {
		var now []events.ShimPiece
		d.service.View(func(s *rules.State) {
			x, _ := s.ShimDrawer(drawer.ID)
			now = slices.Clone(x.Pieces)
		})
		for _, p := range drawer.Pieces {
			have := 0
			for _, x := range now {
				if x.Thickness == p.Thickness && x.Real == p.Real {
					have += x.Count
				}
			}
			if p.Count -= have; p.Count <= 0 {
				continue
			}
			a := events.ShimStockAsked{Ask: events.Ask{By: demoLead, AtUs: events.InstantOf(time.Now())}, Drawer: drawer.ID, Change: events.ShimReceived, Piece: p}
			if err := d.ask(ctx, a); err != nil {
				return fmt.Errorf("fill drawer %s: %w", drawer.ID, err)
			}
		}
	}
	return nil
}
