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
	Waiting   uint64         // of its events, known not to have come yet
	Compared  bool           // its clock has been asked for
	Ahead     time.Duration  // of its clock before the shop's
	RoundTrip time.Duration
	// Events since the start: all, those that came late, those that could not be
	// taken.
	Taken, Late, Refused uint64
}

type boxView struct {
	ID, State, Tone, Since, From, Clock string
	Waiting, Taken, Late, Refused       uint64
}

// boxes tells of the bench boxes of this shop.
func (p *Pages) boxes(v viewer) (out []boxView) {
	if p.cfg.Boxes == nil {
		return nil
	}
	for _, s := range p.cfg.Boxes() {
		b := boxView{ID: s.Box, State: "Connected", Tone: toneNormal, From: s.From, Waiting: s.Waiting, Taken: s.Taken, Late: s.Late, Refused: s.Refused, Clock: "not asked yet"}
		if !s.Up {
			b.State, b.Tone = "Cut off: it goes on taking readings, and they come once it is back", toneAbnormal
		}
		if s.Since > 0 {
			b.Since = clockTime(s.Since, v.now)
		}
		if s.Compared {
			b.Clock = offsetWords(s.Ahead, s.RoundTrip)
		}
		out = append(out, b)
	}
	return out
}

// offsetWords says how a clock stands to the shop's.
func offsetWords(ahead, round time.Duration) string {
	way := "ahead of"
	if ahead < 0 {
		way, ahead = "behind", -ahead
	}
	digits := time.Millisecond
	if ahead < 10*time.Millisecond {
		digits = 10 * time.Microsecond
	}
	return fmt.Sprintf("%s %s the shop's, ± %s", ahead.Round(digits), way, (round / 2).Round(10*time.Microsecond))
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
