package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// shop adopts the shop file, or refuses it whole. Nobody asks: the file comes
// with the start of the service, and the first one says who there is.
func (t *tx) shop(d events.ShopDescribed) {
	if d.Hash == t.s.ShopHash && d.Hash != "" {
		return // in force already
	}
	r := &request{Ask: d.Ask, name: requestName(d)}
	if wrong := t.s.wrongShop(&d.Shop); len(wrong) > 0 {
		t.refuse(r, "shop_wrong", "the shop description is wrong", "Put right what is listed and start again; the old one stays in force.", wrong...)
		return
	}
	t.add(events.ShopAdopted{Shop: d.Shop, Hash: d.Hash})
}

// CheckShop says what is wrong with a shop by itself, in its order: with any of
// it a start of the service keeps the shop that was in force.
func CheckShop(shop events.Shop) []string { return New().wrongShop(&shop) }

// wrongShop returns what is wrong in a shop, in its order.
func (s *State) wrongShop(shop *events.Shop) []string {
	var wrong []string
	bad := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	ids := func(kind string) func(string) {
		seen := map[string]bool{}
		return func(id string) {
			switch {
			case !goodID(id):
				bad("%s id %q: want 1 to %d letters, digits, '-', '_' and '.'", kind, id, maxID)
			case seen[id]:
				bad("%s id %q is there twice", kind, id)
			}
			seen[id] = true
		}
	}
	ids("shop")(shop.ID)
	if s.Shop.ID != "" && shop.ID != s.Shop.ID {
		bad("shop id %q: this journal belongs to shop %q", shop.ID, s.Shop.ID)
	}
	checkUnit(shop.Torque, quantity.DimTorque, bad)
	checkUnit(shop.Length, quantity.DimLength, bad)
	bench, person, tool, device := ids("bench"), ids("person"), ids("tool"), ids("device")
	for _, b := range shop.Benches {
		bench(b.ID)
	}
	for _, p := range shop.People {
		person(p.ID)
		if !p.Role.Known() {
			bad("person %q has role %q: want technician, lead, metrology, owner or auditor", p.ID, p.Role)
		}
	}
	for i := range shop.Tools {
		tool(shop.Tools[i].ID)
		checkShopTool(&shop.Tools[i], bad)
	}
	checkSerials(shop.Tools, bad)
	for _, d := range shop.Devices {
		device(d.ID)
		checkDevice(shop, d, bad)
	}
	drawer := ids("shim drawer")
	for i := range shop.Shims {
		drawer(shop.Shims[i].ID)
		wrongDrawer(&shop.Shims[i], bad)
	}
	return append(wrong, s.orphans(shop)...)
}

func checkUnit(code string, dim quantity.Dimension, bad func(string, ...any)) {
	if code == "" {
		return // the base unit
	}
	if u, ok := quantity.UnitByCode(code); !ok || u.Dimension() != dim {
		bad("unit %q: want a unit of %s", code, dim)
	}
}

func checkShopTool(t *events.Tool, bad func(string, ...any)) {
	kinds := []events.ToolKind{events.ToolTorqueWrench, events.ToolTorqueTester, events.ToolDialIndicator, events.ToolPressGauge, events.ToolSpringScale, events.ToolGaugeBlocks}
	if !slices.Contains(kinds, t.Kind) {
		bad("tool %q has kind %q: want torque_wrench, torque_tester, dial_indicator, press_gauge, spring_scale or gauge_blocks", t.ID, t.Kind)
	}
	checkRegister(t, bad)
	if !t.Least.Finite() || !t.Most.Finite() || t.Least.Dimension() != t.Most.Dimension() || !(t.Least.Base() < t.Most.Base()) {
		bad("tool %q: its range wants a lower and a higher value of one kind", t.ID)
	}
	if t.Kind == events.ToolSpringScale && t.Most.Dimension() != quantity.DimForce {
		bad("tool %q: a spring scale measures a force: give its range in N, kgf or lbf, such as 5 N to 50 N", t.ID)
	}
	if !(t.URel >= 0 && t.URel <= 1) {
		bad("tool %q: its relative uncertainty is %v: want a share from 0 to 1", t.ID, t.URel)
	}
	if !t.UAbs.IsZero() && (!t.UAbs.Finite() || t.UAbs.Base() < 0 || t.UAbs.Dimension() != t.Most.Dimension()) {
		bad("tool %q: its absolute uncertainty wants a value of the kind that it measures, not below zero", t.ID)
	}
	from, err1 := time.Parse(time.DateOnly, t.Calibrated)
	due, err2 := time.Parse(time.DateOnly, t.Due)
	switch {
	case err1 != nil || err2 != nil:
		bad("tool %q: calibrated %q, due %q: want dates as YYYY-MM-DD", t.ID, t.Calibrated, t.Due)
	case due.Before(from):
		bad("tool %q: due %s lies before calibrated %s", t.ID, t.Due, t.Calibrated)
	}
}

func checkDevice(shop *events.Shop, d events.Device, bad func(string, ...any)) {
	if !slices.ContainsFunc(shop.Tools, func(t events.Tool) bool { return t.ID == d.Tool }) {
		bad("device %q: there is no tool %q", d.ID, d.Tool)
	}
	if !slices.ContainsFunc(shop.Benches, func(b events.Bench) bool { return b.ID == d.Bench }) {
		bad("device %q: there is no bench %q", d.ID, d.Bench)
	}
}

// orphans names the open jobs, by bench in the old shop's order, whose bench a
// new shop description would take away.
func (s *State) orphans(shop *events.Shop) []string {
	var out []string
	for _, b := range s.Shop.Benches {
		if job := s.BenchJob[b.ID]; job != "" && !slices.Contains(shop.Benches, b) &&
			!slices.ContainsFunc(shop.Benches, func(n events.Bench) bool { return n.ID == b.ID }) {
			out = append(out, fmt.Sprintf("bench %q is gone, but job %q is active there", b.ID, job))
		}
	}
	return out
}

// offered releases a procedure revision. A revision never changes: the same
// text again is harmless, another text under the same revision is refused.
func (t *tx) offered(r *request, d events.ProcedureOffered) {
	if !t.mayDecide(r, "release a procedure") {
		return
	}
	sum := sha256.Sum256([]byte(d.Text))
	if hash := hex.EncodeToString(sum[:]); hash != d.Hash {
		t.refuse(r, "hash_differs", fmt.Sprintf("the text's SHA-256 is %s, the request says %s", hash, d.Hash), "Send the file again, whole.")
		return
	}
	p, problems := procedure.Parse("procedure", []byte(d.Text))
	if err := problems.Err(); err != nil || p == nil {
		var items []string
		for _, e := range problems.Errors() {
			items = append(items, e.String())
		}
		t.refuse(r, "procedure_wrong", "the procedure has errors", "Put right what is listed; 'procedure check' shows the same.", items...)
		return
	}
	key := ProcKey(p.ID, p.Revision)
	if old, there := t.s.ProcTexts[key]; there {
		if old != d.Text {
			t.refuse(r, "revision_exists", fmt.Sprintf("revision %q of procedure %q has been released with another text", p.Revision, p.ID), "Give the changed procedure a new revision: a released one never changes.")
		}
		return
	}
	t.add(events.ProcedureReleased{Procedure: p.ID, Revision: p.Revision, Title: p.Title, Hash: d.Hash, Text: d.Text, By: r.By, AtUs: t.at})
}
