package rules

import (
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// limits are what a value is held against. A limit that is the zero Value is
// not there.
type limits struct {
	lsl, target, usl quantity.Value
	unit             quantity.Unit // in which the procedure states them
}

// dim returns the dimension of the limits.
func (l limits) dim() quantity.Dimension {
	for _, v := range [...]quantity.Value{l.lsl, l.usl, l.target} {
		if !v.IsZero() {
			return v.Dimension()
		}
	}
	return quantity.NoDimension
}

// slack is the share of a limit by which a value may miss it: so much that a
// value which is written exactly on a limit is not put outside by the
// rounding of a unit conversion (about 1e-16), and too little to matter.
const slack = 1e-9

// judge returns the verdict of v against l, where u is the expanded
// uncertainty of v in base units (0: no guard band). The limits belong to the
// good side. Doubtful is inside the limits, but nearer to one than u: guarded
// acceptance with guard band w = U, after JCGM 106:2012, clause 8.3.2. A value
// that is not a number is low.
func (l limits) judge(v quantity.Value, u float64) events.Verdict {
	x := v.Base()
	lo, hi := l.lsl.Base(), l.usl.Base()
	hasLo, hasHi := !l.lsl.IsZero(), !l.usl.IsZero()
	slackLo, slackHi := float64(slack*math.Abs(lo)), float64(slack*math.Abs(hi)) // rounds alike on every machine
	switch {
	case math.IsNaN(x), hasLo && !(x >= lo-slackLo):
		return events.Low
	case hasHi && !(x <= hi+slackHi):
		return events.High
	case u <= 0:
		return events.Within
	case hasLo && !(x >= lo+u-slackLo), hasHi && !(x <= hi-u+slackHi):
		return events.Doubtful
	}
	return events.Within
}

// holds reports whether v has the limits' dimension and is inside them.
func (l limits) holds(v quantity.Value) bool {
	if v.Dimension() != l.dim() {
		return false
	}
	return l.judge(v, 0) == events.Within
}

// uncertainty returns the expanded uncertainty (k = 2) of a reading v of tool
// t, in base units: the root of the sum of squares of its relative and its
// absolute part, as independent parts are combined by JCGM 100:2008 (GUM),
// 5.1.2. The tool's resolution is a part of its certificate's uncertainty and
// is not added once more.
func uncertainty(t events.Tool, v quantity.Value) quantity.Value {
	rel := t.URel * v.Base()
	abs := 0.0
	if t.UAbs.Dimension() == v.Dimension() {
		abs = t.UAbs.Base()
	}
	u := math.Sqrt(float64(rel*rel) + float64(abs*abs))
	if math.IsNaN(u) || math.IsInf(u, 0) {
		u = 0
	}
	return v.WithBase(u)
}

// slip looks for a unit in which the number as sent would be inside limits
// that the value itself is outside of: 26.0 N·m where 26 lbf·ft were due. It
// asks the procedure's own unit first, then all others of that dimension in
// their fixed order. One-sided limits, and such as begin at or below zero,
// hold too much for this to mean anything; and so do limits that are wider
// than the two units are apart (100 to 140 lbf·in, read as kgf·cm, are 87 to
// 122 lbf·in): there a slip cannot be told from a plain miss, and is not said.
func (l limits) slip(v quantity.Value, sent string) (meant quantity.Unit, ok bool) {
	su, known := quantity.UnitByCode(sent)
	if !known || l.usl.IsZero() || !(l.lsl.Base() > 0) || v.Dimension() != l.dim() || l.holds(v) {
		return quantity.Unit{}, false
	}
	number := v.In(su)
	if l.slipsBy(number, su, l.unit) {
		return l.unit, true
	}
	for _, u := range quantity.Units() {
		if l.slipsBy(number, su, u) {
			return u, true
		}
	}
	return quantity.Unit{}, false
}

// slipsBy reports whether a number sent in one unit is inside the limits in
// another, and the limits read in the one and in the other lie apart.
func (l limits) slipsBy(number float64, sent, meant quantity.Unit) bool {
	if meant == sent || meant.Dimension() != sent.Dimension() || !l.holds(quantity.Of(number, meant)) {
		return false
	}
	lo, hi := quantity.Of(l.lsl.In(meant), sent).Base(), quantity.Of(l.usl.In(meant), sent).Base()
	return lo > l.usl.Base() || hi < l.lsl.Base()
}
