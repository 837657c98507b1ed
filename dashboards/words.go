package dashboards

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// A tone is a colour's meaning by IEC 60073; it only repeats what shape and
// words say.
const (
	toneFault    = "fault"    // red
	toneAbnormal = "abnormal" // yellow
	toneNormal   = "normal"   // green
	toneAction   = "action"   // blue
)

// lookWords says each look in a word or two, as people read it beside the
// drawing.
var lookWords = map[rules.Look]string{
	rules.LookWaiting:   "waiting",
	rules.LookNext:      "next",
	rules.LookPart:      "partly done",
	rules.LookWitnessed: "witnessed",
	rules.LookDisturbed: "do again",
	rules.LookLow:       "low",
	rules.LookHigh:      "high",
	rules.LookDoubtful:  "doubtful",
	rules.LookMissed:    "missed",
}

// shortWord is lookWords where the drawing alone might not do; the usual
// states have none, so that the unusual ones stand out.
func shortWord(l rules.Look) string {
	switch l {
	case rules.LookLow, rules.LookHigh, rules.LookDoubtful, rules.LookMissed, rules.LookDisturbed:
		return lookWords[l]
	}
	return ""
}

// verdictWords says each verdict as a sentence of the bench page.
func verdictWords(v events.Verdict) string {
	switch v {
	case events.Within:
		return "Within limits"
	case events.Low:
		return "Low: pull again"
	case events.High:
		return "High: held for a lead"
	case events.Doubtful:
		return "Doubtful: too near a limit"
	}
	return string(v)
}

// measureVerdictWords is verdictWords for a measured value.
func measureVerdictWords(v events.Verdict) string {
	switch v {
	case events.Low:
		return "Below the lower limit"
	case events.High:
		return "Above the upper limit"
	}
	return verdictWords(v)
}

type kindWord struct {
	name string
	tone string
	look rules.Look // drawn as; "" for the caution sign
}

var alertKinds = map[events.AlertKind]kindWord{
	events.AlertMissed:       {"Missed fastener", toneFault, rules.LookMissed},
	events.AlertHigh:         {"Too high", toneFault, rules.LookHigh},
	events.AlertLow:          {"Left low", toneFault, rules.LookLow},
	events.AlertMeasure:      {"Out of limits", toneFault, ""},
	events.AlertUnitSlip:     {"Wrong unit", toneFault, ""},
	events.AlertWrongTool:    {"Wrong tool", toneFault, ""},
	events.AlertCounterGap:   {"Reading lost", toneFault, ""},
	events.AlertBoxClock:     {"Bench box's clock is off", toneAbnormal, ""},
	events.AlertBoxArrival:   {"Bench box sent what could not be taken", toneFault, ""},
	events.AlertOutOfOrder:   {"Out of order", toneAbnormal, ""},
	events.AlertUnplaced:     {"Reading without a place", toneAbnormal, ""},
	events.AlertExtraPull:    {"More pulls than fasteners", toneAbnormal, ""},
	events.AlertStepSkipped:  {"Step left open", toneAbnormal, ""},
	events.AlertToolStatus:   {"Tool reports trouble", toneAbnormal, ""},
	events.AlertToolOff:      {"Tool outside its limits", toneFault, ""},
	events.AlertToolUnusual:  {"Tool not as usual", toneAbnormal, ""},
	events.AlertUnknownTool:  {"Unknown tool", toneAbnormal, ""},
	events.AlertReleaseGated: {"Release refused", toneAbnormal, ""},
	events.AlertClosing:      {"Closing round left out", toneFault, ""},
	events.AlertRepeat:       {"Pulled twice", toneAbnormal, ""},
	events.AlertSameCycle:    {"Same pull twice", toneAbnormal, ""},
	events.AlertSeized:       {"Too little turn", toneFault, ""},
	events.AlertYield:        {"Turns without torque", toneFault, ""},
	events.AlertZeroShift:    {"Zero shifted", toneAbnormal, ""},
	events.AlertPressForce:   {"Above the force limit", toneFault, rules.LookHigh},
	events.AlertPressSeat:    {"Not seated", toneFault, ""},
	events.AlertPressPair:    {"Pressed unchecked", toneFault, ""},
	events.AlertPressRecheck: {"Re-check", toneFault, ""},
	events.AlertLooseEnd:     {"Loose end", toneFault, ""},
	events.AlertOrderGuard:   {"Must be in first", toneFault, ""},
	events.AlertUnanswered:   {"Not answered", toneAbnormal, ""},
	events.AlertOrientation:  {"Not as it was marked", toneFault, ""},
	events.AlertWrongWay:     {"Wrong way round", toneFault, ""},
	events.AlertStopCheck:    {"Stop check", toneFault, ""},
	events.AlertOpenTime:     {"Open time", toneAbnormal, ""},
	events.AlertHoldPoint:    {"Hold point passed", toneFault, ""},
	events.AlertShims:        {"Not as predicted", toneFault, ""},
	events.AlertShimStock:    {"Shims run low", toneAbnormal, ""},
}

func alertKind(k events.AlertKind) kindWord {
	if w, ok := alertKinds[k]; ok {
		return w
	}
	return kindWord{strings.ReplaceAll(string(k), "_", " "), toneAbnormal, ""}
}

var stepKinds = map[procedure.Kind]string{
	procedure.Torque:  "torque",
	procedure.Measure: "measure",
	procedure.Shim:    "shim",
	procedure.Press:   "press",
	procedure.Attest:  "by eye",
	procedure.Parts:   "parts",
}

// linkWords says a link's state and what to do about it.
func linkWords(state string) (word, tone, todo string) {
	switch state {
	case events.LinkUp:
		return "connected", toneNormal, ""
	case events.LinkDown:
		return "disconnected", toneFault, "Plug the cable in again, or switch the tool on. It reconnects by itself."
	case events.LinkAbsent:
		return "no such port", toneFault, "Plug the tool in. If it is plugged in, its port has another name: see 'witnessmark doctor'."
	case events.LinkDenied:
		return "no permission", toneFault, "Give the service's user the right to open the port: see 'witnessmark doctor'."
	case events.LinkBusy:
		return "port in use", toneFault, "Close the other program that has the port open."
	case events.LinkMute:
		return "does not answer", toneAbnormal, "Switch the tool on, and check that its profile is the right one."
	case "":
		return "not known yet", toneAbnormal, "Wait a moment; if it stays so, look at the service's log."
	}
	return state, toneAbnormal, ""
}

// unitFor returns the unit in which v is shown: the shop's own for torque and
// length where it has one, else stated, the unit of the procedure.
func unitFor(shop events.Shop, v quantity.Value, stated quantity.Unit) quantity.Unit {
	code := ""
	switch v.Dimension() {
	case quantity.DimTorque:
		code = shop.Torque
	case quantity.DimLength:
		code = shop.Length
	}
	if u, ok := quantity.UnitByCode(code); ok && u.Dimension() == v.Dimension() {
		return u
	}
	if stated.Dimension() == v.Dimension() {
		return stated
	}
	for _, u := range quantity.Units() { // the first of each dimension is its base unit
		if u.Dimension() == v.Dimension() {
			if v.Dimension() == quantity.DimLength {
				return quantity.Millimetre
			}
			return u
		}
	}
	return quantity.Unit{}
}

// decimals is how many of them a figure in u is shown with: a tenth of a
// newton metre, a thousandth of a millimetre, a tenth of a thou.
func decimals(u quantity.Unit) int {
	switch u {
	case quantity.Millimetre:
		return 3
	case quantity.Inch:
		return 4
	case quantity.KilogramForceMetre:
		return 2
	case quantity.CentinewtonMetre, quantity.GramForceCm, quantity.Newton, quantity.Micrometre, quantity.MicroInch:
		return 0
	}
	return 1
}

// figure writes v in u without the unit's symbol; "" if there is none.
func figure(v quantity.Value, u quantity.Unit) string {
	if v.IsZero() || u.IsZero() {
		return ""
	}
	x := v.In(u)
	if math.IsNaN(x) {
		return ""
	}
	return minus(strconv.FormatFloat(x, 'f', decimals(u), 64))
}

// minus puts a true minus sign in place of the hyphen, and none before zero.
func minus(s string) string {
	if !strings.HasPrefix(s, "-") {
		return s
	}
	if strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return "−" + s[1:]
}

// withUnit is figure with the unit's symbol.
func withUnit(v quantity.Value, u quantity.Unit) string {
	f := figure(v, u)
	if f == "" {
		return ""
	}
	return f + " " + u.Symbol()
}

// asSent writes what the tool itself showed, in its own unit.
func asSent(text, unitCode string) string {
	u, ok := quantity.UnitByCode(unitCode)
	if !ok {
		return minus(text)
	}
	return minus(text) + " " + u.Symbol()
}

// limitWords writes limits for people: "23.4 to 28.6 lbf·ft".
func limitWords(lo, hi quantity.Value, u quantity.Unit) string {
	l, h := figure(lo, u), figure(hi, u)
	switch {
	case l != "" && h != "":
		return l + " to " + h + " " + u.Symbol()
	case l != "":
		return "at least " + l + " " + u.Symbol()
	case h != "":
		return "at most " + h + " " + u.Symbol()
	}
	return ""
}

// clock says where a fastener sits as people at a bench do: "at 2 o'clock",
// "in the middle", or "3rd from the left" where all are on one line.
func clock(fs []procedure.Fastener, i int) string {
	if len(fs) < 2 {
		return ""
	}
	var cx, cy, spanX, spanY float64
	minX, maxX, minY, maxY := fs[0].X, fs[0].X, fs[0].Y, fs[0].Y
	for _, f := range fs {
		cx, cy = cx+f.X, cy+f.Y
		minX, maxX = min(minX, f.X), max(maxX, f.X)
		minY, maxY = min(minY, f.Y), max(maxY, f.Y)
	}
	cx, cy = cx/float64(len(fs)), cy/float64(len(fs))
	spanX, spanY = maxX-minX, maxY-minY
	f := fs[i]
	switch {
	case spanY < spanX/20:
		return along(fs, func(a, b procedure.Fastener) bool { return a.X < b.X }, i, "from the left")
	case spanX < spanY/20:
		return along(fs, func(a, b procedure.Fastener) bool { return a.Y > b.Y }, i, "from the top")
	}
	dx, dy := f.X-cx, f.Y-cy
	if math.Hypot(dx, dy) < math.Hypot(spanX, spanY)/12 {
		return "in the middle"
	}
	hour := int(math.Round(math.Atan2(dx, dy)/(math.Pi/6))+12) % 12
	if hour == 0 {
		hour = 12
	}
	return fmt.Sprintf("at %d o'clock", hour)
}

func along(fs []procedure.Fastener, before func(a, b procedure.Fastener) bool, i int, from string) string {
	rank := 1
	for _, g := range fs {
		if before(g, fs[i]) {
			rank++
		}
	}
	return ordinal(rank) + " " + from
}

func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return strconv.Itoa(n) + suffix
}

// clockTime writes an instant for people: the time of day if it is today,
// else with its date; in the zone of the machine.
func clockTime(at events.Instant, now time.Time) string {
	if at == 0 {
		return "time not known"
	}
	t := at.Time().In(now.Location())
	if y, m, d := t.Date(); func() bool { a, b, c := now.Date(); return a == y && b == m && c == d }() {
		return t.Format("15:04:05")
	}
	return t.Format("2006-01-02 15:04:05")
}

// plural writes "1 fastener", "3 fasteners".
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// sentence begins with a capital letter and ends with a full stop.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(s)
	s = string(unicode.ToUpper(r)) + s[n:]
	if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, ":") {
		s += "."
	}
	return s
}
