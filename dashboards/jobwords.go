package dashboards

import (
	"html/template"
	"strconv"
	"strings"
	"time"

	"witnessmark/dashboards/record"
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// recordWords are what the template of the job record says things with.
// Times are local to the machine, as on all pages.
func recordWords() template.FuncMap {
	return template.FuncMap{
		"at": func(i events.Instant) string {
			if i == 0 {
				return "time not known"
			}
			return i.Time().Local().Format(time.DateTime)
		},
		"name": func(p any) string {
			switch p := p.(type) {
			case record.Person:
				return nameOf(p)
			case *record.Person:
				return nameOf(*p)
			}
			return ""
		},
		"mm":      func(x float64) string { return minus(strconv.FormatFloat(x, 'f', 1, 64)) },
		"kind":    func(k events.AlertKind) string { return alertKind(k).name },
		"unit":    unitSymbol,
		"hands":   record.Hands,
		"history": func(kind string) string { return strings.ReplaceAll(kind, "_", " ") },
		"value": func(p record.Pull, r *record.Record) string {
			return withUnit(p.Value, recordUnit(p, r))
		},
		"typed": func(p record.Pull) bool { return p.Mode == events.ModeTyped },
		"sent": func(p record.Pull, r *record.Record) string {
			if u, ok := quantity.UnitByCode(p.SentUnit); ok && u == recordUnit(p, r) {
				return ""
			}
			return "sent " + asSent(p.SentText, p.SentUnit)
		},
		"limits": func(p record.Pull, r *record.Record) string {
			return limitWords(p.LSL, p.USL, recordUnit(p, r))
		},
		"tool": func(t record.Tool) string {
			s := t.Name
			if s == "" {
				s = t.ID
			}
			if t.Calibrated != "" {
				s += ", " + t.Calibrated
			}
			return s
		},
		"fstate": fastenerState,
	}
}

func nameOf(p record.Person) string {
	if p.Name != "" {
		return p.Name
	}
	return p.ID
}

func unitSymbol(code string) string {
	if u, ok := quantity.UnitByCode(code); ok {
		return u.Symbol()
	}
	return code
}

func recordUnit(p record.Pull, r *record.Record) quantity.Unit {
	own, _ := quantity.UnitByCode(p.SentUnit)
	return unitFor(events.Shop{Torque: r.Shop.TorqueUnit, Length: r.Shop.LengthUnit}, p.Value, own)
}

func fastenerState(f record.Fastener) string {
	s := f.State
	if f.Doubtful {
		s += ", doubtful"
	}
	if f.Disturbed {
		s += ", to be done again"
	}
	return s
}
