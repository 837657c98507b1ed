package dashboards

import (
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/events"
)

// BoxStatus says how a bench box is, now.
type BoxStatus struct {
	Box       string
	Up        bool
	Since     events.Instant // 0: not known
	From      string         // network address, while it is up
	Flowing   bool           // the shop hears from its store
	Waiting   uint64         // of its events, known not to have come yet
	Compared  bool           // its clock has been asked for
	Ahead     time.Duration  // of its clock before the shop's
	RoundTrip time.Duration
	// ClockLimit is by how much its clock may be off before an alert is raised.
	ClockLimit time.Duration
	// Its lamps and horns, where it has any, and why one cannot be switched.
	Lamps, Lit  int
	LampTrouble string
	// Events since the start: all, those that came late, those that could not be
	// taken.
	Taken, Late, Refused uint64
}

// boxView is a bench box with the tools that are plugged into it.
type boxView struct {
	ID, Link               string // Link names the sign: up, behind, away, none
	State, Tone, Todo      string
	Since, Span            string
	From                   string
	Waiting, Late, Refused string
	Clock, ClockWord       string
	ClockTone              string
	Last, LastAt, LastTool string
	Lamp, LampTone         string
	Taken                  uint64
	Tools                  []deviceView
	lastAt                 events.Instant
	ahead                  time.Duration
}

// boxes tells of the bench boxes that the shop file names, in its order.
func (p *Pages) boxes(v viewer) (out []boxView) {
	now := map[string]BoxStatus{}
	if p.cfg.Boxes != nil {
		for _, s := range p.cfg.Boxes() {
			now[s.Box] = s
		}
	}
	for _, x := range v.st.Shop.Boxes {
		s, taken := now[x.ID]
		s.Box = x.ID
		out = append(out, v.box(s, taken))
	}
	return out
}

// box says how one box is; taken is whether this service takes anything of it.
func (v viewer) box(s BoxStatus, taken bool) boxView {
	b := boxView{ID: s.Box, From: s.From, Last: "none yet"}
	if !taken {
		b.Link, b.State, b.Tone = "none", "Not taken in", toneFault
		b.Todo = "This service has no address at which boxes connect. Set boxes_listen and start it again; until then the box keeps its readings."
		b.Clock, b.Waiting, b.Late, b.Refused = "not asked", "not known", "not known", "not known"
		return b
	}
	since := s.Since
	b.Taken, b.Refused, b.ahead = s.Taken, countOf(s.Refused, "event"), s.Ahead
	b.Late = "none since this service started"
	if s.Late > 0 {
		b.Late = countOf(s.Late, "event") + " since this service started"
	}
	switch {
	case !s.Up:
		b.Link, b.State, b.Tone = "away", "Away", toneAbnormal
		b.Todo = "Look at its power and its network cable. Go on working there: it keeps every reading, and they come once it is back."
		b.Waiting = "not known while it is away"
		if n := v.st.Boxes[s.Box]; n.Away && n.AtUs > 0 { // longer than this service runs, perhaps
			since = n.AtUs
		}
	case !s.Flowing: // for a moment after it has come back
		b.Link, b.State, b.Tone, b.Waiting = "behind", "Connected, catching up", toneAction, "being asked"
	case s.Waiting > 0:
		b.Link, b.State, b.Tone, b.Waiting = "behind", "Connected, catching up", toneAction, countOf(s.Waiting, "event")+" still to come"
	default:
		b.Link, b.State, b.Tone, b.Waiting = "up", "Connected", toneNormal, "none: all has come"
	}
	if since > 0 {
		b.Since, b.Span = clockTime(since, v.now), lastedWords(v.now.Sub(since.Time()))
	}
	b.Clock, b.ClockWord, b.ClockTone = clockWords(s)
	b.Lamp, b.LampTone = lampWords(s)
	return b
}

// take puts a tool under its box, and returns how it is shown. When it read
// last is told by the shop's clock, as its clocks were compared last.
func (v viewer) take(b *boxView, d deviceView, up bool) deviceView {
	d.Box = b.ID
	if d.lastAt > 0 && b.ahead.Abs() > inStep {
		d.lastAt = d.lastAt.Add(-b.ahead)
		d.LastAt = clockTime(d.lastAt, v.now)
	}
	if d.lastAt > b.lastAt {
		b.lastAt, b.Last, b.LastAt, b.LastTool = d.lastAt, d.Last, d.LastAt, d.Tool
	}
	switch d.Tone {
	case toneNormal:
		d.Mark = "good"
	case toneFault:
		d.Mark = "stopped"
	default:
		d.Mark = "doubt"
	}
	if !up { // what the ledger has is what was heard last
		d.Mark, d.Detail, d.Todo, d.Tone = "", "Heard last: "+d.Link, "", toneAbnormal
		if d.Since != "" {
			d.Detail += ", at " + d.Since
		}
		d.Link, d.Since = "Not known while its box is away", ""
	}
	b.Tools = append(b.Tools, d)
	return d
}

func countOf(n uint64, one string) string {
	switch n {
	case 0:
		return "none"
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// lampWords says how the lamps of a box are; "": it has none.
func lampWords(s BoxStatus) (text, tone string) {
	switch {
	case s.Lamps == 0:
		return "", ""
	case !s.Up:
		return "not known while it is away; it goes out when it hears nothing of the shop", ""
	case s.LampTrouble != "":
		return "CANNOT BE SWITCHED: " + s.LampTrouble, toneFault
	case s.Lit > 0:
		return fmt.Sprintf("ON: %d of %d", s.Lit, s.Lamps), toneAbnormal
	}
	return "off", ""
}

// inStep is by how much a box's clock may be off before the page says so. Times
// on records show whole seconds. Our choice.
const inStep = time.Second

// clockWords says how a box's clock stands to the shop's, and in a word what to
// make of it.
func clockWords(s BoxStatus) (text, word, tone string) {
	if !s.Compared {
		return "not compared yet", "not known", ""
	}
	text = offsetWords(s.Ahead, s.RoundTrip)
	if !s.Up {
		text += ", when it was compared last"
	}
	switch off := s.Ahead.Abs(); {
	case s.ClockLimit > 0 && off > s.ClockLimit:
		return text, fmt.Sprintf("WRONG: set it; up to %s is borne", lastedWords(s.ClockLimit)), toneFault
	case off > inStep:
		return text, fmt.Sprintf("off, but within the limit of %s", lastedWords(s.ClockLimit)), toneAbnormal
	}
	return text, "in step", toneNormal
}

// lastedWords writes how long something has lasted, in two units at most.
func lastedWords(d time.Duration) string {
	part := func(n time.Duration, unit string, m time.Duration, smaller string) string {
		if m == 0 {
			return fmt.Sprintf("%d %s", n, unit)
		}
		return fmt.Sprintf("%d %s %d %s", n, unit, m, smaller)
	}
	const day = 24 * time.Hour
	switch d = max(d, 0).Truncate(time.Second); {
	case d >= 2*day:
		return part(d/day, "days", d%day/time.Hour, "h")
	case d >= time.Hour:
		return part(d/time.Hour, "h", d%time.Hour/time.Minute, "min")
	case d >= time.Minute:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// offsetWords says how a clock stands to the shop's.
func offsetWords(ahead, round time.Duration) string {
	way := "ahead of"
	if ahead < 0 {
		way, ahead = "behind", -ahead
	}
	return fmt.Sprintf("%s %s the shop's, ± %s", shortTime(ahead), way, shortTime(round/2))
}

// shortTime writes a short span with its unit, to three figures or the
// millisecond.
func shortTime(d time.Duration) string {
	switch {
	case d < time.Millisecond:
		return fmt.Sprintf("%d µs", d.Round(10*time.Microsecond)/time.Microsecond)
	case d < time.Second:
		return fmt.Sprintf("%.3g ms", float64(d)/float64(time.Millisecond))
	case d < time.Minute:
		return fmt.Sprintf("%.3f s", d.Seconds())
	}
	return lastedWords(d)
}

var (
	descBoxUp      = desc("bench_box_up", "Whether the bench box is connected.", "box")
	descBoxAhead   = desc("bench_box_clock_ahead_seconds", "By how much the bench box's clock is ahead of the shop's; below 0: behind.", "box")
	descBoxRound   = desc("bench_box_round_trip_seconds", "Time that a question to the bench box and its answer take on the way; the clock's offset is wrong by half of it at most.", "box")
	descBoxWaiting = desc("bench_box_events_waiting", "Events of the bench box that are known not to have come yet.", "box")
	descBoxTaken   = desc("bench_box_events_total", "Events of the bench box taken into the journal since the start, by how they came.", "box", "came")
	boxDescs       = []*prometheus.Desc{descBoxUp, descBoxAhead, descBoxRound, descBoxWaiting, descBoxTaken}
)

// fromBoxes tells what is known of the bench boxes.
func (c *shopCollector) fromBoxes(gauge, counter emit) {
	if c.p.cfg.Boxes == nil {
		return
	}
	for _, s := range c.p.cfg.Boxes() {
		gauge(descBoxUp, bit(s.Up), s.Box)
		gauge(descBoxWaiting, float64(s.Waiting), s.Box)
		if s.Compared {
			gauge(descBoxAhead, s.Ahead.Seconds(), s.Box)
			gauge(descBoxRound, s.RoundTrip.Seconds(), s.Box)
		}
		counter(descBoxTaken, float64(s.Taken-min(s.Taken, s.Late+s.Refused)), s.Box, "in_time")
		counter(descBoxTaken, float64(s.Late), s.Box, "late")
		counter(descBoxTaken, float64(s.Refused), s.Box, "refused")
	}
}
