package rules

import (
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// partsShop adds press gauges to the invented shop.
func partsShop(shop events.Shop) events.Shop {
	kn := func(v float64) quantity.Value { return quantity.Of(v, quantity.Kilonewton) }
	gauge := func(id string, most float64) events.Tool {
		return events.Tool{ID: id, Name: strings.ToUpper(id), Kind: events.ToolPressGauge, Serial: id, Least: kn(0), Most: kn(most), URel: 0.01, Calibrated: "2026-06-01", Due: "2027-06-01"}
	}
	shop.Tools = append(shop.Tools, gauge("f2", 50), gauge("f2small", 5))
	return shop
}

// keyed reads the words key=value of a line.
func keyed(f []string) (m map[string]string, as []events.Attribute) {
	m = map[string]string{}
	for _, w := range f {
		k, v, ok := strings.Cut(w, "=")
		switch {
		case !ok:
		case k == "trace" || k == "count" || k == "condition":
			m[k] = v
		default:
			as = append(as, events.Attribute{Key: k, Value: v})
		}
	}
	return m, as
}

// partsFact makes the event of a line about parts, presses or photos; nil if it
// is about something else.
func (c *scene) partsFact(f []string, w map[string]string) events.Data {
	a, job := c.askOf(w), c.jobOf(w)
	m, as := keyed(f)
	switch f[0] {
	case "rising": // rising F2 9.1 kN says overload
		v, u, err := quantity.ParseForce(f[2] + " " + f[3])
		if err != nil {
			c.t.Fatalf("cannot read the line %q: %v", strings.Join(f, " "), err)
		}
		return events.ForceRising{Device: strings.ToLower(f[1]), Tool: strings.ToLower(f[1]), Bench: "axle", Text: f[2], Unit: u.Code(), Value: v.Value(), Status: w["says"], AtUs: c.at}
	case "scan": // scan STEP LINE …
		text := f[2:]
		if k := slices.Index(text, "by"); k >= 0 {
			text = text[:k]
		}
		if k := slices.Index(text, "of"); k >= 0 {
			text = text[:k]
		}
		return events.PartScanned{Ask: a, Job: job, Step: f[1], Text: strings.Join(text, " ")}
	case "part": // part STEP LINE trace=… count=… condition=… key=value
		n, _ := strconv.Atoi(m["count"])
		return events.PartAnswered{Ask: a, Job: job, Step: f[1], Part: f[2], Trace: m["trace"], Count: n, Condition: events.Condition(m["condition"]), Attributes: as}
	case "undo":
		return events.PartUndoAsked{Ask: a, Job: job, Step: f[1], Part: f[2], Reason: c.because(w)}
	case "ready": // ready STEP:PLACE part/trace/key=value …
		step, place, _ := strings.Cut(f[1], ":")
		d := events.PressReadyAsked{Ask: a, Job: job, Step: step, Place: place}
		for _, p := range f[2:] {
			if s := strings.Split(p, "/"); len(s) == 3 {
				_, as := keyed(s[2:])
				d.Parts = append(d.Parts, events.PartInHand{Part: s[0], Trace: s[1], Attributes: as})
			}
		}
		return d
	case "recheck":
		step, place, _ := strings.Cut(f[1], ":")
		return events.PressRechecked{Ask: a, Job: job, Step: step, Place: place, Good: f[2] == "good", Answer: w["because"]}
	case "photo":
		return events.PhotoTaken{Ask: a, Job: job, Step: f[1], Hash: strings.Repeat(f[2], 64/len(f[2])), Size: 1000, Type: "image/jpeg", Width: 640, Height: 480}
	}
	return nil
}

// course makes the course of a pressing with a greatest force, in N: one that
// seats, or one that stops in its run-in. way is the whole travel of the ram in
// mm, "lost" of a gauge whose probe failed, "" of one that has none.
func course(kind string, peak float64, way string) *events.Stroke {
	if kind == "" {
		return nil
	}
	s := &events.Stroke{}
	if way == "lost" {
		s.TravelNote = "121 of 121 samples have no travel that can be used"
	}
	mm, err := strconv.ParseFloat(way, 64)
	for i := range 121 {
		x := float64(i) / 120
		f := 0.5 * peak * min(1, x*8)
		if kind == "seats" && x > 0.9 {
			f += 0.5 * peak * (x - 0.9) / 0.1
		}
		if kind == "stops" {
			f = peak * (0.8 + 0.2*x) * min(1, x*8)
		}
		if err == nil {
			s.Travel = append(s.Travel, x*mm)
		}
		s.TimesUs, s.Force = append(s.TimesUs, int64(i)*25_000), append(s.Force, f)
	}
	return s
}

// partsTell writes an outcome about parts, presses or photos.
func (c *scene) partsTell(o events.OutcomeData) (string, bool) {
	switch o := o.(type) {
	case events.PartPicked:
		c.texts = append(c.texts, append([]string{"missing:"}, o.Missing...)...)
		return "picked " + o.Part, true
	case events.PartRecorded:
		s := "recorded " + o.Part + " " + strconv.Itoa(o.Count) + " " + string(o.Condition)
		if o.Trace != "" {
			s += " " + o.Trace
		}
		return s, true
	case events.PartUndone:
		return "undone " + o.Part, true
	case events.PressCleared:
		return "cleared " + o.Step + ":" + o.Place, true
	case events.PressJudged:
		c.texts = append(c.texts, "seat: "+o.Text)
		return "seat " + string(o.Seat), true
	case events.PressRecheckNoted:
		if o.Good {
			return "rechecked " + o.Step + ":" + o.Place, true
		}
		return "rechecked badly " + o.Step + ":" + o.Place, true
	case events.PhotoKept:
		return "photo kept", true
	}
	return "", false
}
