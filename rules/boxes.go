package rules

import (
	"fmt"
	"slices"
	"time"

	"witnessmark/events"
)

// LateRun is the newest run of a source's events that came late.
type LateRun struct {
	Box      string
	From, To uint64
	AtUs     events.Instant
}

// BenchPast is the job that left a bench last.
type BenchPast struct {
	Job  string
	Left events.Instant
	How  string // for people: "was released"
}

// lateRun returns the run to which an event belongs, if it came late.
func (s *State) lateRun(source string, number uint64) (LateRun, bool) {
	r, ok := s.Late[source]
	return r, ok && r.From <= number && number <= r.To
}

// boxed reports whether a device is plugged into a bench box. Its readings' own
// times are by the box's clock; the event's time is by the shop's.
func (s *State) boxed(device string) bool {
	return slices.ContainsFunc(s.Shop.Devices, func(d events.Device) bool { return d.ID == device && d.Box != "" })
}

// cameLate marks a reading that came late, and returns why it must not be put
// where work goes on now, "" if it may.
//
// Its place follows from the order of the work. So it has one only if nothing
// that it belongs before has happened meanwhile: another job at the bench, or a
// step that was finished, given up or opened again since it was taken.
// Otherwise a person says what it was.
func (t *tx) cameLate(r *reading, run LateRun) (why string) {
	o := events.ReadingCameLate{Reading: r.seq, Box: run.Box, Bench: r.bench, Tool: r.tool, TakenUs: r.at, ArrivedUs: run.AtUs}
	past := t.s.BenchPast[r.bench]
	taken := fmt.Sprintf("it was taken at %s and came %s later, over bench box %q", hour(r.at), lateBy(run.AtUs.Sub(r.at)), run.Box)
	then := ""
	if past.Job != "" && r.at < past.Left {
		then = fmt.Sprintf("; job %q was at the bench before, and %s at %s", past.Job, past.How, hour(past.Left))
	}
	switch j := t.job; {
	case t.careSince(r):
		why = taken + ", and a calibration or check was begun in between"
	case j == nil && then != "":
		why = taken + then
	case j == nil: // said as it is of any other
	case r.at < t.s.BenchSince[j.Bench] || r.at < j.OpenedAt:
		o.Job = j.ID
		why = taken + fmt.Sprintf(", before job %q came to this bench", j.ID) + then
	default:
		o.Job = j.ID
		if i, at := j.leftSince(r.at); i >= 0 {
			why = taken + fmt.Sprintf(", and %s was decided on in between, at %s", j.title(i), hour(at))
		}
	}
	t.add(o)
	return why
}

// careSince reports whether what is open with the reading's tool was begun, or
// went on, after it was taken.
func (t *tx) careSince(r *reading) bool {
	p := t.s.careFor(r.bench, r.tool)
	return p != nil && p.lastAt > r.at
}

// leftSince returns the first step that was finished, given up or opened again
// after at, and when; -1 if none was.
func (j *Job) leftSince(at events.Instant) (step int, when events.Instant) {
	for i := range j.Steps {
		if c := j.Steps[i].ChangedAt; c > at {
			return i, c
		}
	}
	return -1, 0
}

func hour(at events.Instant) string { return at.Time().Format("15:04:05") + " UTC" }

func lateBy(d time.Duration) string {
	if d >= time.Hour {
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	}
	if d >= time.Minute {
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// arrivalsLate notes that what follows of a source was kept back.
func (t *tx) arrivalsLate(e events.ArrivalsLate) {
	t.add(events.LatenessNoted(e))
}

// boxLink notes that a bench box went away or is back. While it is away nobody
// knows what is done at its benches, so a pause there is none; when it is back
// each pause begins anew.
func (t *tx) boxLink(e events.BoxLinkChanged) {
	t.add(events.BoxNoted{Box: e.Box, Away: !e.Up, AtUs: e.AtUs})
	if !e.Up {
		return
	}
	for _, b := range t.s.Shop.Benches {
		id := t.s.BenchJob[b.ID]
		if id == "" || !t.s.hasBox(b.ID, e.Box) {
			continue
		}
		t.job = nil
		t.open(id)
		if pause := t.job.leastPause(); pause > 0 {
			t.add(events.DeadlineSet{Job: id, AtUs: e.AtUs.Add(pause)})
		}
	}
}

// hasBox reports whether a device of the box is at the bench.
func (s *State) hasBox(bench, box string) bool {
	return slices.ContainsFunc(s.Shop.Devices, func(d events.Device) bool { return d.Bench == bench && d.Box == box })
}

// away reports whether a bench box at the bench is cut off.
func (s *State) away(bench string) bool {
	return slices.ContainsFunc(s.Shop.Devices, func(d events.Device) bool { return d.Bench == bench && d.Box != "" && s.Boxes[d.Box].Away })
}

// leastPause returns the shortest pause of the job's begun, open steps, 0 if
// there is none.
func (j *Job) leastPause() (least time.Duration) {
	for i := range j.Steps {
		if p := j.Proc.Steps[i].Pause; j.Status == JobActive && j.waits(i) && (least == 0 || p < least) {
			least = p
		}
	}
	return least
}

// clockCompared raises an alert where a bench box's clock is off, and settles it
// once it is right.
func (t *tx) clockCompared(e events.ClockCompared) {
	off := time.Duration(max(e.AheadUs, -e.AheadUs)) * time.Microsecond
	limit := time.Duration(e.LimitUs) * time.Microsecond
	if off <= limit {
		t.settleBox(events.AlertBoxClock, e.Box, "the clock is right again")
		return
	}
	way := "ahead of"
	if e.AheadUs < 0 {
		way = "behind"
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertBoxClock, Bench: t.s.benchOf(e.Box), Items: []string{e.Box},
		Text: fmt.Sprintf("The clock of bench box %q is %s %s the shop's; up to %s is borne.", e.Box, off.Round(time.Millisecond), way, limit),
		Todo: "Set it, best by time synchronisation. Times of its readings are told by the shop's clock meanwhile; their order does not hang on it.",
	})
}

// arrivalWrong raises an alert for what a bench box sent and could not be taken.
func (t *tx) arrivalWrong(box, text string) {
	t.raise(events.AlertRaised{
		Kind: events.AlertBoxArrival, Bench: t.s.benchOf(box), Items: []string{box}, Text: text,
		Todo: "Look at the box: its disk, its shop file, who has its key. What it sent is kept. A pull that is missing is to be made again.",
	})
}

func (t *tx) settleBox(kind events.AlertKind, box, how string) {
	for a := range t.openAlerts("") {
		if a.Kind == kind && slices.Contains(a.Items, box) {
			t.settle(a.Alert, "", how)
			return
		}
	}
}

// benchOf returns the first bench that a box has a device at.
func (s *State) benchOf(box string) string {
	for _, d := range s.Shop.Devices {
		if d.Box == box {
			return d.Bench
		}
	}
	return ""
}

// foldBox applies an outcome about bench boxes.
func (s *State) foldBox(o events.OutcomeData) bool {
	switch o := o.(type) {
	case events.LatenessNoted:
		s.Late = put(s.Late, o.Source, LateRun{Box: o.Box, From: o.From, To: o.To, AtUs: o.AtUs})
	case events.BoxNoted:
		s.Boxes = put(s.Boxes, o.Box, o)
	case events.ReadingCameLate:
	default:
		return false
	}
	return true
}

// put sets a key in a map that may not be there yet.
func put[V any](m map[string]V, key string, v V) map[string]V {
	if m == nil {
		m = map[string]V{}
	}
	m[key] = v
	return m
}

// cameTo and leftBench keep what was at a bench last.
func (s *State) cameTo(bench string, at events.Instant) {
	s.BenchSince = put(s.BenchSince, bench, at)
}

func (s *State) leftBench(bench, job, how string, at events.Instant) {
	s.BenchPast = put(s.BenchPast, bench, BenchPast{Job: job, Left: at, How: how})
}
