package procedure

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"witnessmark/events/quantity"
)

// amount is a quantity as the file states it.
type amount struct {
	quantity.Value
	unit quantity.Unit
	text string
}

// amount reads a quantity of a dimension. ok is false, with a problem noted,
// if it cannot be read; the zero amount with ok where nothing is stated.
func (r *reader) amount(p at, want quantity.Dimension) (a amount, ok bool) {
	if !p.ok() {
		return amount{}, true
	}
	if a.text = p.text(); !p.isText() {
		return amount{}, false
	}
	v, u, err := quantity.Parse(a.text)
	if err != nil {
		r.unreadable(p, a.text, err, "write for example "+example(want))
		return amount{}, false
	}
	if want != quantity.NoDimension && v.Dimension() != want {
		r.err(p, fmt.Sprintf("%q is %s, not %s", a.text, withArticle(v.Dimension()), withArticle(want)), "write for example "+example(want))
		return amount{}, false
	}
	a.Value, a.unit = v, u
	return a, true
}

// unreadable reports a quantity that Parse has refused. want serves where the
// error does not say what to write.
func (r *reader) unreadable(p at, text string, err error, want string) {
	why := err.Error()
	if pe := new(quantity.ParseError); errors.As(err, &pe) {
		why, want = pe.Why, pe.Want
	}
	r.err(p, fmt.Sprintf("%s cannot be read: %s", strconv.Quote(short(text)), why), want)
}

func withArticle(d quantity.Dimension) string {
	if d == quantity.DimAngle {
		return "an angle"
	}
	return "a " + d.String()
}

func example(d quantity.Dimension) string {
	switch d {
	case quantity.DimTorque:
		return `"26 lbf·ft" or "35 N·m"`
	case quantity.DimAngle:
		return `"45°"`
	case quantity.DimForce:
		return `"1200 N"`
	}
	return `"0.15 mm" or ".006 in"`
}

// limits is a target with its limits; an amount that is not stated is zero.
type limits struct {
	target, low, high amount
}

var plusMinus = regexp.MustCompile(`^(?:±|\+\s*/\s*[-−–]|\+[-−–])\s*(.*)$`)

// limits reads target and limits of one dimension, and checks their order.
// Where the limits hang on a missing target, that is a problem too.
func (r *reader) limits(parent at, want quantity.Dimension) (l limits, ok bool) {
	p := parent.get("limits")
	l.target, ok = r.amount(parent.get("target"), want)
	if !p.ok() || !ok {
		return l, false
	}
	if p.isMap() {
		low, high := p.get("low"), p.get("high")
		var lowOK, highOK bool
		l.low, lowOK = r.amount(low, want)
		l.high, highOK = r.amount(high, want)
		return l, lowOK && highOK && (low.ok() || high.ok()) && r.ordered(parent, &l)
	}
	if !p.isText() {
		return l, false
	}
	m := plusMinus.FindStringSubmatch(p.text())
	if m == nil {
		r.err(p, fmt.Sprintf("limits %s cannot be read", show(p)), described(schemaURL+"#/$defs/limits"))
		return l, false
	}
	if l.target.IsZero() {
		r.err(p, fmt.Sprintf("limits %s need a target", show(p)), wantKey(schemaURL+"#/$defs/pass", "target"))
		return l, false
	}
	half, ok := r.halfWidth(p, m[1], l.target)
	if !ok {
		return l, false
	}
	t := l.target.In(l.target.unit)
	l.low, l.high = l.target.moved(t-half), l.target.moved(t+half)
	return l, r.ordered(parent, &l)
}

// moved returns v in the unit of a, rounded to twelve digits: 0.18 + 0.05 is
// 0.23, so that a reading of 0.23 is not above it.
func (a amount) moved(v float64) amount {
	text := strconv.FormatFloat(v, 'g', 12, 64)
	v, _ = strconv.ParseFloat(text, 64) // cannot fail
	return amount{quantity.Of(v, a.unit), a.unit, text + " " + a.unit.Symbol()}
}

// halfWidth reads what stands behind ±, in the unit of the target.
func (r *reader) halfWidth(p at, text string, target amount) (float64, bool) {
	if num, percent := strings.CutSuffix(text, "%"); percent {
		f, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(num), ",", ".", 1), 64)
		if err != nil || !(f > 0 && f < 100) {
			r.err(p, fmt.Sprintf("limits %s cannot be read", show(p)), `a share above 0 and below 100 %, such as "± 10 %"`)
			return 0, false
		}
		return target.In(target.unit) * f / 100, true
	}
	v, _, err := quantity.Parse(text)
	switch {
	case err != nil:
		r.unreadable(p, text, err, fmt.Sprintf(`"± 10 %%", or with the unit: "± 3 %s"`, target.unit.Symbol()))
	case v.Dimension() != target.Dimension():
		r.err(p, fmt.Sprintf("limits %s give %s, but the target is %s", show(p), withArticle(v.Dimension()), withArticle(target.Dimension())), fmt.Sprintf(`such as "± 3 %s"`, target.unit.Symbol()))
	case !(v.Base() > 0):
		r.err(p, fmt.Sprintf("limits %s leave no room", show(p)), "a figure above 0")
	default:
		return v.In(target.unit), true
	}
	return 0, false
}

// ordered checks that low < high and that the target lies between them.
func (r *reader) ordered(parent at, l *limits) bool {
	p := parent.get("limits")
	hasLow, hasHigh := !l.low.IsZero(), !l.high.IsZero()
	t := l.target.Base()
	switch {
	case hasLow && hasHigh && !(l.low.Base() < l.high.Base()):
		r.err(p, fmt.Sprintf("the lower limit %s is not below the upper limit %s", l.low.text, l.high.text), "low below high: exchange them")
	case !l.target.IsZero() && hasLow && !(l.low.Base() <= t):
		r.err(p, fmt.Sprintf("the target %s lies below the lower limit %s", l.target.text, l.low.text), "a target inside the limits; check the units")
	case !l.target.IsZero() && hasHigh && !(t <= l.high.Base()):
		r.err(p, fmt.Sprintf("the target %s lies above the upper limit %s", l.target.text, l.high.text), "a target inside the limits; check the units")
	default:
		return true
	}
	return false
}

var pauseText = regexp.MustCompile(`^(\d+(?:[.,]\d+)?)\s*(s|sec|second|seconds|min|minute|minutes|h|hour|hours)$`)

// pause reads how long an open step may be without a reading.
func (r *reader) pause(p at) time.Duration { return r.span(p, "pause") }

// span reads a time as people write it: "90 s", "5 min", "1 h". name is the key
// that it stands under.
func (r *reader) span(p at, name string) time.Duration {
	if !p.isText() {
		return 0
	}
	m := pauseText.FindStringSubmatch(strings.ToLower(p.text()))
	if m == nil {
		r.err(p, fmt.Sprintf("%s %s cannot be read", name, show(p)), described(schemaURL+"#/$defs/step/properties/pause"))
		return 0
	}
	f, err := strconv.ParseFloat(strings.Replace(m[1], ",", ".", 1), 64)
	unit := map[byte]time.Duration{'s': time.Second, 'm': time.Minute, 'h': time.Hour}[m[2][0]]
	if err != nil || !(f > 0) || f*float64(unit) > float64(24*time.Hour) {
		r.err(p, fmt.Sprintf("%s %s is out of range", name, show(p)), "above 0 and 24 h at most")
		return 0
	}
	return time.Duration(f * float64(unit)).Round(time.Millisecond)
}
