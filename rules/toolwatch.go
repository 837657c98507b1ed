package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/drift"
)

// Series is what a tool deviated at one point since it was last adjusted,
// oldest first, the latest drift.MostCharted of them. It is replaced when it
// grows, never written into.
type Series struct {
	Point     quantity.Value
	Direction string // "" is clockwise
	Unit      string // of Deviation: "%", or a length unit
	AtUs      []events.Instant
	Deviation []float64
}

// mostSeries is how many points of a tool are followed.
const mostSeries = 32

// worth is what one calibration, check or certificate said of one point.
type worth struct {
	tool, source, direction, unit string
	point                         quantity.Value
	deviation                     float64
	at                            events.Instant
}

// worths takes apart what an outcome says of a tool; fresh says that it begins
// a new series, because the tool was adjusted before.
func worths(o events.OutcomeData) (ws []worth, fresh bool) {
	results := func(tool, source string, at events.Instant, rs []events.CalibrationResult) {
		for _, r := range rs {
			ws = append(ws, worth{tool, source, turned(r.Direction), r.Unit, r.Point, r.Deviation, at})
		}
	}
	switch o := o.(type) {
	case events.CheckJudged:
		if o.Standing == events.StandingUnknown {
			return nil, false // tool and reference looked exchanged
		}
		return []worth{{o.Tool, o.Check, "", "%", o.Point, o.Deviation, o.AtUs}}, false
	case events.CalibrationJudged:
		results(o.Tool, o.Calibration, o.AtUs, o.Results)
		return ws, o.Phase == events.PhaseLeft
	case events.CertificateEntered:
		results(o.Tool, o.Certificate, o.AtUs, o.Results)
		return ws, o.Phase == events.PhaseLeft
	}
	return nil, false
}

// turned writes a direction so that the usual one is "".
func turned(d string) string {
	if d == "cw" {
		return ""
	}
	return d
}

// same reports whether a series is of that point; nominal points that people
// type differ by rounding.
func (s *Series) same(w *worth) bool {
	return s.Direction == w.direction && s.Unit == w.unit && s.Point.Dimension() == w.point.Dimension() &&
		math.Abs(s.Point.Base()-w.point.Base()) <= float64(1e-6*math.Abs(w.point.Base()))
}

// with is the series with one more.
func (s Series) with(w *worth) Series {
	from := max(0, len(s.AtUs)-drift.MostCharted+1)
	s.AtUs = append(slices.Clone(s.AtUs[from:]), w.at)
	s.Deviation = append(slices.Clone(s.Deviation[from:]), w.deviation)
	return s
}

// Days are the times of a series in days, as charts and trends take them.
func (s *Series) Days() []float64 {
	out := make([]float64, len(s.AtUs))
	for i, at := range s.AtUs {
		out[i] = float64(at) / 86400e6
	}
	return out
}

// foldWorth keeps what tools deviated, and what production says of them.
func (s *State) foldWorth(o events.OutcomeData) {
	switch o := o.(type) {
	case events.ToolAdjusted:
		delete(s.Series, o.Tool)
		s.renew(o.Tool, o.AtUs)
	case events.ToolSuspected:
		s.Suspects[o.Tool] = o
	case events.CheckJudged:
		if o.Standing == events.StandingGood {
			s.clear(o.Tool, o.AtUs)
		}
	case events.CalibrationJudged:
		if o.Phase == events.PhaseLeft {
			delete(s.Series, o.Tool)
			s.renew(o.Tool, o.AtUs)
		} else if o.Standing == events.StandingGood {
			s.clear(o.Tool, o.AtUs)
		}
	case events.CertificateEntered:
		if o.Phase == events.PhaseLeft {
			delete(s.Series, o.Tool)
			s.renew(o.Tool, o.AtUs)
		} else if o.Standing == events.StandingGood {
			s.clear(o.Tool, o.AtUs)
		}
	}
	ws, _ := worths(o)
	for i := range ws {
		s.keepWorth(&ws[i])
	}
}

func (s *State) keepWorth(w *worth) {
	all := slices.Clone(s.Series[w.tool])
	k := slices.IndexFunc(all, func(x Series) bool { return x.same(w) })
	if k < 0 {
		if len(all) >= mostSeries || w.point.IsZero() {
			return
		}
		k, all = len(all), append(all, Series{Point: w.point, Direction: w.direction, Unit: w.unit})
	}
	all[k] = all[k].with(w)
	s.Series[w.tool] = all
}

// clear ends a suspicion that a check or calibration did not bear out; what
// production says begins anew, so that it is not raised again at once.
func (s *State) clear(tool string, at events.Instant) {
	if _, ok := s.Suspects[tool]; ok {
		s.renew(tool, at)
	}
}

// renew forgets what production said of a tool: it is another one now.
func (s *State) renew(tool string, at events.Instant) {
	delete(s.Suspects, tool)
	if s.Renewed[tool] < at {
		s.Renewed[tool] = at
	}
	if slices.Contains(s.Peers.Tools(), tool) {
		p := s.Peers.Clone()
		p.Drop(tool)
		s.Peers = p
	}
}

// watchTools adds the signals of the charts that the outcomes so far show, and
// suspicions where a job was released.
func (t *tx) watchTools() {
	for _, o := range t.out {
		ws, fresh := worths(o.Data)
		for i := range ws {
			if !fresh {
				t.signal(&ws[i])
			}
		}
		if _, ok := o.Data.(events.JobReleased); ok {
			t.suspectTools()
		}
	}
}

// signal charts a tool's deviation at one point with the newest one.
func (t *tx) signal(w *worth) {
	all := t.s.Series[w.tool]
	k := slices.IndexFunc(all, func(x Series) bool { return x.same(w) })
	if k < 0 {
		return
	}
	series := all[k].with(w)
	charts, err := drift.ChartsOf(series.Days(), series.Deviation)
	if err != nil {
		return // too few yet, or they do not vary
	}
	skipped := len(series.AtUs) - len(charts.X)
	for _, s := range charts.New() {
		t.add(events.DriftSignalled{
			Tool: w.tool, Point: w.point, Direction: w.direction, Source: w.source, Rule: s.Rule.Name, High: s.High, SinceUs: series.AtUs[skipped+min(s.Since, len(charts.X)-1)],
			Value: w.deviation, Centre: charts.Process.Centre, SD: charts.Process.SD, ARL0: s.ARL0, ARL1: s.ARL1, Shift: s.Shift, AtUs: t.at,
		})
	}
}

// SuspectWatch is when production makes a tool suspect: one false suspicion in
// a hundred shops, however often one looks, made sharp for a drift of 4 %; tools
// in order may differ by half a percent. Our choice. On simulated shops of four
// tools, with joints that scatter by 5 % and fasteners by 10 %, 4 % shows after some
// 700 pulls of each tool (470 if tools in order did not differ); were they allowed
// 1 %, it would never show.
func SuspectWatch() drift.Watch {
	return drift.Watch{False: 0.01, Anytime: true, Expected: 0.04, Honest: 0.005}
}

// suspectTools looks at the tools of the job that is released: what the pulls of
// jobs released before it say of them.
func (t *tx) suspectTools() {
	if t.job == nil || !t.job.traced() {
		return
	}
	factors, _, err := t.s.Peers.Estimate(SuspectWatch())
	if err != nil {
		return
	}
	for _, f := range factors {
		if _, known := t.s.Suspects[f.Tool]; known || !f.Suspect {
			continue
		}
		t.add(events.ToolSuspected{
			Tool: f.Tool, Factor: f.Factor, Lower: f.Lower, Upper: f.Upper, Pulls: f.Pulls, Visits: f.Visits, Peers: f.Peers, Z: f.Z, Bound: f.Bound,
			False: SuspectWatch().False, Why: whySuspect(&f, t.s), AtUs: t.at,
		})
	}
}

func whySuspect(f *drift.Factor, s *State) string {
	more := fmt.Sprintf("%.1f %% more", 100*(f.Factor-1))
	if f.Factor < 1 {
		more = fmt.Sprintf("%.1f %% less", 100*(1-f.Factor))
	}
	text := fmt.Sprintf("%s reads %s than its peers on like joints (between %+.1f and %+.1f %%), by the torque rates of %d pulls on %d joints. This is a suspicion, not a verdict: check it on the bench.",
		s.toolName(f.Tool), more, 100*(f.Lower-1), 100*(f.Upper-1), f.Pulls, f.Visits)
	if f.Question != "" {
		text += " " + strings.ToUpper(f.Question[:1]) + f.Question[1:] + "."
	}
	return text
}

// traced reports whether pulls of the job came with rates.
func (j *Job) traced() bool {
	for i := range j.Steps {
		for pass := range j.Steps[i].Weigh {
			for k := range j.Steps[i].Weigh[pass].Log {
				if e := j.Steps[i].Weigh[pass].Log[k]; e.Pull.Trace != nil && e.Pull.Trace.RateNmDeg > 0 {
					return true
				}
			}
		}
	}
	return false
}

// rates takes the torque rates of a released job's pulls: those that made a
// fresh fastener tight, by their most probable explanation. Only a trace tells
// the rate over a like part of the pull.
func (s *State) rates(j *Job, pulls []events.PullWeighed) {
	for i := range pulls {
		p := &pulls[i]
		if p.Trace == nil || !(p.Trace.RateNmDeg > 0) || len(p.Explanations) == 0 || p.Explanations[0].Kind != events.ExplainedNext || p.Explanations[0].P < 0.9 {
			continue
		}
		if p.AtUs < s.Renewed[p.Tool] { // made by what was another tool then
			continue
		}
		kind := LearnKey(j.Proc, p.Step, p.Pass)
		if kind == "" || s.Peers.Full(kind) {
			continue
		}
		s.Peers.Add(drift.Pull{Kind: kind, Joint: jointName(j, p.Step, p.Pass), Tool: p.Tool, Rate: p.Trace.RateNmDeg})
	}
}

func jointName(j *Job, step string, pass int) string {
	return j.ID + "/" + step + "/" + fmt.Sprint(pass)
}
