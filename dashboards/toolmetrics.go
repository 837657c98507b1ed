package dashboards

import (
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"witnessmark/events"
	"witnessmark/rules"
)

var (
	descToolDue       = desc("tool_due_timestamp_seconds", "Last instant at which a tool may be used by the calendar, Unix time.", "tool")
	descToolCycles    = desc("tool_cycles_total", "Cycles that a tool has made, by the journal.", "tool")
	descToolLeft      = desc("tool_cycles_left", "Cycles that a tool may still make before it is due; no series where no bound holds.", "tool")
	descToolUsable    = desc("tool_in_order", "Whether a tool is in use, in date, and not known to be out of tolerance: 1 or 0.", "tool")
	descToolDeviation = desc("tool_deviation_ratio", "What a tool deviated at the last calibration or check, as a share of the reference: 0.02 is 2 % more.", "tool", "point_base")
	descToolSuspect   = desc("tool_suspect", "Whether production makes a tool suspect against its peers: 1 or 0. Never a verdict.", "tool")
	descToolFactor    = desc("tool_suspect_factor", "What a suspect tool reads against its peers, as the suspicion told: 1.04 is 4 % more.", "tool")
	descRecallsOpen   = desc("recalls_open", "Recalls of a tool that are not closed.", "tool")
	descRecallLines   = desc("recall_lines_open", "Lines of open recalls of a tool that wait to be closed.", "tool")
	descRecallOldest  = desc("recall_oldest_timestamp_seconds", "When the oldest open recall was opened, Unix time; 0 if there is none.")
	toolDescs         = []*prometheus.Desc{descToolDue, descToolCycles, descToolLeft, descToolUsable, descToolDeviation, descToolSuspect, descToolFactor, descRecallsOpen, descRecallLines, descRecallOldest}
)

// fromTools tells what the rules know of the tools.
func (c *shopCollector) fromTools(gauge, counter emit) {
	now := c.p.now()
	c.p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, now}
		open, lines := map[string]int{}, map[string]int{}
		oldest := events.Instant(0)
		for _, r := range st.OpenRecalls() {
			open[r.Tool]++
			lines[r.Tool] += r.Open
			if oldest == 0 {
				oldest = r.AtUs
			}
		}
		gauge(descRecallOldest, seconds(oldest))
		for i := range st.Shop.Tools {
			t := &st.Shop.Tools[i]
			l := v.toolLine(t)
			if due, err := time.Parse(time.DateOnly, l.Due); err == nil {
				gauge(descToolDue, float64(due.AddDate(0, 0, 1).Unix()), t.ID)
			}
			if n := st.Tools[t.ID]; n != nil {
				counter(descToolCycles, float64(n.Cycles), t.ID)
			}
			if left, ok := st.CyclesLeft(t.ID); ok {
				gauge(descToolLeft, float64(left), t.ID)
			}
			gauge(descToolUsable, bit(l.Mark != markStopped && l.Mark != markAway), t.ID)
			seen := map[string]bool{}
			for _, s := range st.Series[t.ID] {
				point := strconv.FormatFloat(s.Point.Base(), 'g', 6, 64)
				if s.Unit == "%" && s.Direction == "" && len(s.Deviation) > 0 && !seen[point] {
					seen[point] = true
					gauge(descToolDeviation, s.Deviation[len(s.Deviation)-1]/100, t.ID, point)
				}
			}
			suspect, is := st.Suspects[t.ID]
			gauge(descToolSuspect, bit(is), t.ID)
			if is {
				gauge(descToolFactor, suspect.Factor, t.ID)
			}
			gauge(descRecallsOpen, float64(open[t.ID]), t.ID)
			gauge(descRecallLines, float64(lines[t.ID]), t.ID)
		}
	})
}
