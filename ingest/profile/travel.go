package profile

import (
	"fmt"

	"witnessmark/events/quantity"
)

// travel says how a press gauge tells the travel of the ram in each sample.
type travel struct {
	scale       number
	unit        quantity.Unit
	units       map[string]scaledUnit // by the sample's unit word; nil: unit
	none        string                // word in place of a number; "": none
	down        bool                  // the figure falls as the ram goes in
	least, most quantity.Value        // zero Value: no limit
	back        quantity.Value        // it may run back by so much while the force rises
}

// travelBack is how far the travel may run back while the force rises, if the
// profile does not say it: the play of a probe's holder. Our own choice.
var travelBack = quantity.Of(0.1, quantity.Millimetre)

func (m *meaning) readTravelKeys(n node, f *form) {
	k := n.keys("unit", "units", "scale", "none", "counts", "least", "most", "back")
	if !n.ok() {
		return
	}
	t := travel{scale: k["scale"].factor(), unit: k["unit"].unit(), none: k["none"].text(),
		down:  k["counts"].word("up", "up", "down") == "down",
		least: k["least"].quantity(""), most: k["most"].quantity(""), back: travelBack}
	if k["units"].ok() {
		t.units = readUnitTable(k["units"], t.scale)
	}
	if k["unit"].ok() == k["units"].ok() {
		n.wrong("give unit or, where each sample has a unit word, units", "it needs one way to tell the unit of the travel")
	}
	if k["back"].ok() {
		t.back = k["back"].quantity("")
	}
	switch {
	case k["units"].ok() && !f.has(partTravelUnit):
		k["units"].wrong("give unit, or decode travel_unit", "decode gives no travel_unit")
	case k["unit"].ok() && f.has(partTravelUnit):
		k["unit"].wrong("give units, with a line for each unit word", "decode gives a travel_unit")
	}
	t.check(k)
	m.travel = t
}

func (t *travel) check(k map[string]node) {
	for _, u := range t.units {
		if !u.unit.IsZero() && u.unit.Dimension() != quantity.DimLength {
			k["units"].wrong("write units of length, such as mm or in", "%s is no unit of length", u.unit.Symbol())
		}
	}
	if !t.unit.IsZero() && t.unit.Dimension() != quantity.DimLength {
		k["unit"].wrong("write a unit of length, such as mm or in", "%s is no unit of length", t.unit.Symbol())
	}
	for key, v := range map[string]quantity.Value{"least": t.least, "most": t.most, "back": t.back} {
		if !v.IsZero() && v.Dimension() != quantity.DimLength {
			k[key].wrong("write a length, such as 0.1 mm", "a %s is no length", v.Dimension())
		}
	}
	if !t.least.IsZero() && !t.most.IsZero() && !(t.least.Base() <= t.most.Base()) {
		k["least"].wrong("exchange them", "least is above most")
	}
	if t.back.Base() < 0 {
		k["back"].wrong("write how far it may run back, such as 0.1 mm", "back is below zero")
	}
}

// readTravel never refuses: what the travel lacks does not lose the force of
// the sample, it is said in NoTravel.
func (m *meaning) readTravel(x *raw, r *Reading) (reason, detail string) {
	t := &m.travel
	if t.unit.IsZero() && t.units == nil || r.Kind != Sample {
		return "", ""
	}
	switch {
	case !x.has[partTravel]:
		r.NoTravel = "the sample has no travel"
		return "", ""
	case x.isText[partTravel] && t.none != "" && string(x.text[partTravel]) == t.none:
		r.NoTravel = "the gauge says that it has no travel"
		return "", ""
	}
	u := scaledUnit{t.unit, t.scale}
	if t.units != nil {
		known, ok := t.units[string(x.text[partTravelUnit])]
		if !ok {
			r.NoTravel = fmt.Sprintf("travel unit %q is not in the profile's table", x.text[partTravelUnit])
			return "", ""
		}
		u = known
	}
	n, bad, detail := m.number(x, partTravel)
	if bad != "" {
		r.NoTravel = detail
		return "", ""
	}
	n, ok := n.times(u.scale)
	if !ok {
		r.NoTravel = "the travel has too many digits"
		return "", ""
	}
	v := quantity.Of(n.float(), u.unit)
	if !v.Finite() || !t.least.IsZero() && v.Base() < t.least.Base() || !t.most.IsZero() && v.Base() > t.most.Base() {
		r.NoTravel = fmt.Sprintf("travel %s %s is beyond what the gauge can send", n.text(), u.unit.Symbol())
		return "", ""
	}
	if t.down {
		v = quantity.Of(-v.Base(), quantity.Millimetre)
	}
	r.Travel = v
	return "", ""
}
